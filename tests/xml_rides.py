"""TCX and GPX rides written by hand after their public XML schemas; namespaces are invented, names are theirs."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from tests.fit_files import UTC_S


def utc(second: float) -> str:
    at = datetime.fromtimestamp(UTC_S + second, UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"


def trackpoint(second: float, power: object, cadence: object = 90, more: str = "") -> str:
    """TrainingCenterDatabase v2, with the activity extension (TPX) that holds watts and speed."""
    watts = "" if power is None else f"<x:Watts>{power}</x:Watts>"
    return (
        f"<Trackpoint><Time>{utc(second)}</Time>"
        "<Position><LatitudeDegrees>51.5</LatitudeDegrees><LongitudeDegrees>-0.1</LongitudeDegrees></Position>"
        f"<HeartRateBpm><Value>140</Value></HeartRateBpm><Cadence>{cadence}</Cadence>"
        f"<Extensions><x:TPX><x:Speed>8.5</x:Speed>{watts}</x:TPX></Extensions>{more}</Trackpoint>\n"
    )


def tcx(tracks: Iterable[Iterable[str]], lap_s: float = 60, creator: str = "") -> bytes:
    """All tracks in one lap."""
    body = "".join(f"<Track>{''.join(points)}</Track>" for points in tracks)
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<TrainingCenterDatabase xmlns="urn:example:tcd" xmlns:x="urn:example:activity">'
        f'<Activities><Activity Sport="Biking"><Id>{utc(0)}</Id><Lap StartTime="{utc(0)}">'
        f"<TotalTimeSeconds>{lap_s}</TotalTimeSeconds>{body}</Lap>{creator}</Activity></Activities>"
        "</TrainingCenterDatabase>"
    )
    return text.encode()


def trkpt(second: float, power: object, cadence: object = 90) -> str:
    """GPX 1.1 with power and the track-point extension (atemp, hr, cad)."""
    return (
        f'<trkpt lat="51.5" lon="-0.1"><ele>10</ele><time>{utc(second)}</time><extensions><power>{power}</power>'
        f"<t:TrackPointExtension><t:atemp>21</t:atemp><t:hr>140</t:hr><t:cad>{cadence}</t:cad>"
        "</t:TrackPointExtension></extensions></trkpt>\n"
    )


def gpx(segments: Iterable[Iterable[str]], creator: str = "Quayside logger") -> bytes:
    body = "".join(f"<trkseg>{''.join(points)}</trkseg>" for points in segments)
    text = (
        f'<gpx version="1.1" creator="{creator}" xmlns="urn:example:gpx" xmlns:t="urn:example:trackpoint">'
        f"<metadata><time>{utc(0)}</time></metadata><trk><name>ride</name>{body}</trk></gpx>"
    )
    return text.encode()
