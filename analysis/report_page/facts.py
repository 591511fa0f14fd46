"""The facts of a ride, as recorded: what each sensor says of itself, what happened when, and which file this is."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.bench_file import Meter, meter_streams
from analysis.characteristics.registry import DECODER_VERSION
from analysis.recording_reader import Recording
from analysis.report_page.event_words import event_words
from analysis.report_page.number_text import UNKNOWN, clock, counted, duration, utc
from analysis.ride_source import Source, ride_sources
from analysis.rows import Event, Row
from analysis.version import product_version

MOST_HAPPENINGS = 200
_QUIET = {
    Event.SEGMENT_START,
    Event.SEGMENT_END,
    Event.DUPLICATE_DROPPED,
    Event.IDENTIFIED,
    Event.CLOCK_EXCHANGE,
    Event.RELAY_CLOCK,
}
Counts = Counter[tuple[str | None, str | None]]
_COUNTED = (Event.LINK_LOST, Event.DUPLICATE_DROPPED, Event.NOT_UNDERSTOOD, Event.BURST)


@dataclass(frozen=True)
class Fact:
    label: str
    value: str


@dataclass(frozen=True)
class SensorFacts:
    """One stream: identity with the version that the bench file expects, battery, zero offsets, what went wrong."""

    name: str
    identity: tuple[Fact, ...]
    zero_offsets: tuple[str, ...]
    links_lost: int
    duplicates_dropped: int
    not_understood: int
    held_up: int
    rows: int
    clock_holds_lag: bool = False


@dataclass(frozen=True)
class Happening:
    at: str
    sensor: str
    words: str


@dataclass(frozen=True)
class RideFacts:
    ride: tuple[Fact, ...]
    sensors: tuple[SensorFacts, ...]
    happenings: tuple[Happening, ...]
    happenings_left_out: int


def file_sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def ride_facts(recording: Recording, sha256: str) -> RideFacts:
    told = [row for row in recording.events if row.event not in _QUIET]
    counts: Counts = Counter((row.sensor, row.event) for row in recording.events if row.event in _COUNTED)
    shown = told[:MOST_HAPPENINGS]
    return RideFacts(
        tuple(_ride(recording, sha256)),
        tuple(_sensor(name, recording, counts) for name in recording.bench.stream_names),
        tuple(Happening(clock(row.host_ns), row.sensor or "", event_words(row)) for row in shown),
        len(told) - len(shown),
    )


def _ride(recording: Recording, sha256: str) -> Iterable[Fact]:
    metadata = recording.metadata
    anchors = metadata.utc_anchors
    plan = (metadata.plan or {}).get("plan", {}).get("name")
    again = f"; decoded again by version {DECODER_VERSION} for this report" if recording.decoded_again else ""
    yield Fact("Bench", recording.bench.bench.name)
    yield Fact("Start", utc(anchors[0][1]) if anchors else UNKNOWN)
    yield Fact("Length", duration(recording.end_ns))
    yield Fact("Plan", plan or "none: segments were marked by hand, or not at all")
    yield Fact("End", _finish(recording))
    yield Fact("File", recording.path.name)
    yield Fact("SHA-256 of the file", sha256)
    yield Fact("Session", metadata.session_id)
    if metadata.continues:
        yield Fact("Continues", metadata.continues)
    made = "Imported by" if ride_sources(metadata) else "Recorded by"
    yield Fact(made, f"wattproof {metadata.product_version} on {metadata.host}, clock: {metadata.clock}")
    yield Fact("Decoder", f"version {metadata.decoder_version}{again}")
    yield Fact("Report by", f"wattproof {product_version()}")


def _finish(recording: Recording) -> str:
    finish = recording.metadata.finish
    if finish is None:
        return "not told"
    if finish.clean:
        return f"clean, ended by {finish.reason}"
    silent = ", ".join(f"{name} {seconds:.1f} s" for name, seconds in finish.lost_s.items()) or "not told"
    lost = f"{counted(finish.missing_records, 'record')} lost, {counted(finish.damaged_records, 'damaged place')}"
    return f"recovered after an interruption ({finish.reason}): {lost}; last heard before the end: {silent}"


def _sensor(name: str, recording: Recording, counts: Counts) -> SensorFacts:
    about = next((m for m in recording.bench.meter if name in meter_streams(m)), None)
    source = ride_sources(recording.metadata).get(name)
    imported = () if source is None else tuple(_imported(source))
    return SensorFacts(
        name,
        (*imported, *_identity(name, about, recording)),
        tuple(_zero_offsets(name, recording.events)),
        counts[name, Event.LINK_LOST],
        counts[name, Event.DUPLICATE_DROPPED],
        counts[name, Event.NOT_UNDERSTOOD],
        counts[name, Event.BURST],
        recording.metadata.rows_per_sensor.get(name, 0),
        source is not None and source.aligned,
    )


def _imported(source: Source) -> Iterable[Fact]:
    yield Fact("Imported from", f"{source.file} ({source.kind.upper()})")
    yield Fact("SHA-256 of that file", source.sha256)
    if source.recorded_on:
        yield Fact("Recorded on", source.recorded_on)
    if source.meter:
        yield Fact("Meter in the file", source.meter)


_IDENTITY = (
    ("Made by", "manufacturer"),
    ("Model", "model"),
    ("Serial", "serial"),
    ("Hardware", "hardware_revision"),
    ("Software", "software_revision"),
    ("Says it sits at", "location"),
    ("Address", "address"),
)


def _identity(name: str, about: Meter | None, recording: Recording) -> Iterable[Fact]:
    said = recording.metadata.sensors.get(name, {})
    if about is not None:
        claim = "none stated" if about.claim_pct is None else f"± {about.claim_pct:g} %"
        yield Fact("Place", f"{about.place}, {_SIDES[about.sides]}")
        yield Fact("Claim", claim)
        if about.unit:
            yield Fact("Unit", about.unit)
    for label, key in _IDENTITY:
        if key in said:
            yield Fact(label, str(said[key]))
    firmware = _over_time(name, "firmware_revision", recording.events) or [
        str(said.get("firmware_revision", UNKNOWN))
    ]
    wanted = about.expected_firmware if about is not None else None
    differs = wanted is not None and any(f != wanted for f in firmware)
    yield Fact("Firmware", ", then ".join(firmware) + (f" (expected {wanted})" if differs else ""))
    yield Fact("Battery", _battery(name, said, recording))
    if "crank_length_mm" in said or (about is not None and about.crank_length_mm is not None):
        yield Fact("Crank length", _crank_length(said.get("crank_length_mm"), about))


_SIDES = {
    "both": "measures both sides",
    "inferred": "infers the split from one measurement",
    "left": "measures the left side and doubles it",
    "right": "measures the right side and doubles it",
    "total": "measures the whole, no sides",
    None: "sides not stated",
}


def _over_time(name: str, key: str, events: Iterable[Row]) -> list[str]:
    """What a sensor said of itself each time it was linked, repeats left out."""
    said = (
        str(e.detail[key]) for e in events if e.event == Event.IDENTIFIED and e.sensor == name and key in e.detail
    )
    return list(dict.fromkeys(said))


def _battery(name: str, said: Mapping[str, Any], recording: Recording) -> str:
    samples = recording.samples.get(name)
    if samples is not None and len(samples.battery_pct):
        first, last = samples.battery_pct.values[0], samples.battery_pct.values[-1]
        return f"{first:.0f} % first, {last:.0f} % last"
    value = said.get("battery_pct")
    return f"{value} % when linked" if isinstance(value, int | float) else "not told"


def _crank_length(said: Any, about: Meter | None) -> str:
    in_meter = f"{said:g} mm set in the sensor" if isinstance(said, int | float) else "not told by the sensor"
    if about is None or about.crank_length_mm is None:
        return in_meter
    return f"{in_meter}, {about.crank_length_mm:g} mm in the bench file"


def _zero_offsets(name: str, events: Iterable[Row]) -> Iterable[str]:
    asked: Row | None = None
    for row in (e for e in events if e.sensor == name):
        if row.event == Event.ZERO_ASKED:
            if asked is not None:
                yield f"{clock(asked.host_ns)} asked, no answer"
            asked = row
        elif row.event == Event.ZERO_ANSWERED:
            yield f"{clock(row.host_ns)} {row.detail.get('words') or row.detail.get('result', '')}"
            asked = None
    if asked is not None:
        yield f"{clock(asked.host_ns)} asked, no answer"
