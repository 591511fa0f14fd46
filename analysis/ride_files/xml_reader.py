"""Reads TCX activities and GPX tracks with power: point by point, by local names, for namespaces differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.errors import BadRideFile
from analysis.ride_files.iso_time import iso_time
from analysis.ride_files.record_collector import RecordCollector
from analysis.ride_files.record_payload import number
from analysis.ride_files.ride_file import UNKNOWN_DEVICE, DeviceFacts, Keep, Kind, Span
from analysis.ride_files.xml_stream import XmlStream, local_name, text_of
from analysis.safe_text import safe_text

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MOST_BYTES = 64 << 20
MOST_LAPS = 2000
LONGEST_LAP_S = 4 * 24 * 3600
# Between two tracks the device stood still; a lap without a stop leaves the usual second only.
SHORTEST_PAUSE_NS = 2_500_000_000

_POINT: Mapping[Kind, str] = {"tcx": "Trackpoint", "gpx": "trkpt"}
_TRACK: Mapping[Kind, str] = {"tcx": "Track", "gpx": "trkseg"}
_ROOT: Mapping[str, Kind] = {"trainingcenterdatabase": "tcx", "gpx": "gpx"}
# Lower-case local names, those of extensions too, by our names.
_MEASURED = {
    "watts": "power",
    "power": "power",
    "powerinwatts": "power",
    "cadence": "cadence",
    "cad": "cadence",
    "speed": "speed",
    "atemp": "temperature",
    "temp": "temperature",
}
_HEART_RATE = {"heartratebpm": "heart_rate", "hr": "heart_rate", "heartrate": "heart_rate"}


@dataclass
class XmlContents:
    """What lies beside the records; `zones_missing` counts times that do not say that they are UTC."""

    recorder: DeviceFacts = UNKNOWN_DEVICE
    laps: list[Span] = field(default_factory=list)
    pauses: list[Span] = field(default_factory=list)
    zones_missing: int = 0
    remarks: list[str] = field(default_factory=list)
    damaged: bool = False


def xml_kind(start: bytes) -> Kind | None:
    """By the first element's name, as far as the first bytes show it."""
    text = start.decode("utf-8", "replace").lower()
    found = [(text.find(f"<{name}"), kind) for name, kind in _ROOT.items()]
    found += [(text.find(f":{name}"), kind) for name, kind in _ROOT.items()]
    seen = sorted((place, kind) for place, kind in found if place >= 0)
    return seen[0][1] if seen else None


def read_xml(data: bytes, collector: RecordCollector, keep: Keep) -> XmlContents:
    """Records go to the collector.

    :raises BadRideFile: where nothing of it can be read, or it is no ride at all.
    """
    contents = XmlContents()
    reading = _Reading(collector, keep, contents)
    captured = frozenset({_POINT[collector.kind], "Creator"})
    stream = XmlStream(data, collector.where, captured)
    stream.walk(reading.on_start, reading.on_end)
    if stream.fault:
        if not len(collector):
            raise BadRideFile(f"{collector.where} is XML that breaks off before its first point: {stream.fault}")
        contents.damaged = True
        contents.remarks.append(f"cut short or damaged ({stream.fault}): the {len(collector)} points before are kept")
    if contents.zones_missing:
        contents.remarks.append(
            "its times do not say that they are UTC; they are taken as a clock of the device's own"
        )
    return contents


class _Reading:
    def __init__(self, collector: RecordCollector, keep: Keep, contents: XmlContents) -> None:
        self._collector = collector
        self._contents = contents
        self._keep = keep
        self._names = _MEASURED | (_HEART_RATE if keep.heart_rate else {})
        self._point = _POINT[collector.kind]
        self._track = _TRACK[collector.kind]
        self._new_track = False
        self._lap_start_ns: int | None = None
        self._lap_s = 0.0

    def on_start(self, name: str, element: Element) -> None:
        if name == self._track:
            self._new_track = True
        elif name == "Lap":
            self._lap_start_ns, self._lap_s = self._time_ns(element.get("StartTime", "")), 0.0
        elif name == "gpx" and (creator := element.get("creator")):
            self._contents.recorder = DeviceFacts(product=safe_text(creator).strip() or None)

    def on_end(self, name: str, element: Element, parent: str) -> None:
        if name == self._point:
            self._take(element)
        elif name == "TotalTimeSeconds" and parent == "Lap":
            self._lap_s = number(text_of(element))
        elif name == "Lap":
            self._lap()
        elif name == "Creator":
            self._contents.recorder = _creator(element)

    def _take(self, point: Element) -> None:
        raw: dict[str, int | str] = {}
        time_ns = None
        for part in point.iter():
            name = local_name(part)
            if name.lower() == "time":
                time_ns = self._time_ns(text_of(part))
            elif ours := self._names.get(name.lower()):
                # Heart rate of TCX has its number one level further down.
                words = text_of(part) or "".join(text_of(child) for child in list(part)[:1])
                if words:
                    raw[ours] = words
        if self._keep.position:
            raw |= _position(point)
        if self._new_track:
            self._new_track = False
            self._pause(time_ns)
        self._collector.add(time_ns, raw)

    def _pause(self, time_ns: int | None) -> None:
        last_ns = self._collector.last_ns
        if last_ns is not None and time_ns is not None and time_ns - last_ns > SHORTEST_PAUSE_NS:
            self._contents.pauses.append(Span(last_ns, time_ns))

    def _lap(self) -> None:
        laps = self._contents.laps
        if self._lap_start_ns is not None and 0 < self._lap_s < LONGEST_LAP_S and len(laps) < MOST_LAPS:
            stop_ns = self._lap_start_ns + round(self._lap_s * 1e9)
            laps.append(Span(self._lap_start_ns, stop_ns, f"lap {len(laps) + 1}"))

    def _time_ns(self, text: str) -> int | None:
        found = iso_time(text)
        if found is None:
            return None
        self._contents.zones_missing += not found.has_zone
        return found.ns


def _position(point: Element) -> dict[str, str]:
    """GPX has it in attributes of the point, TCX in elements."""
    names = {"latitudedegrees": "latitude", "longitudedegrees": "longitude"}
    found = {ours: point.get(name, "")[:20] for name, ours in (("lat", "latitude"), ("lon", "longitude"))}
    found |= {names[local_name(p).lower()]: text_of(p) for p in point.iter() if local_name(p).lower() in names}
    return {name: text for name, text in found.items() if text}


def _creator(element: Element) -> DeviceFacts:
    told = {local_name(part): safe_text(text_of(part)) for part in element.iter()}
    version = ".".join(told[name] for name in ("VersionMajor", "VersionMinor") if told.get(name))
    return DeviceFacts(None, told.get("Name") or None, told.get("UnitId") or None, version or None)
