"""The facts of a ride, as recorded: what each sensor says of itself, what happened when, and which files it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from analysis.bench_file import Meter, meter_streams
from analysis.characteristics.registry import DECODER_VERSION
from analysis.joined_ride import Part, ride_parts
from analysis.part_words import gap_sentence
from analysis.plain_text import counted
from analysis.recording_reader import Recording
from analysis.report_page.event_words import event_words
from analysis.report_page.number_text import UNKNOWN, clock, duration, utc
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
    """`files`: of each file that the ride was joined from, its name and facts; empty for a single file."""

    ride: tuple[Fact, ...]
    files: tuple[tuple[str, tuple[Fact, ...]], ...]
    sensors: tuple[SensorFacts, ...]
    happenings: tuple[Happening, ...]
    happenings_left_out: int


def ride_facts(recording: Recording, *sha256: str) -> RideFacts:
    """`sha256`: of each file, in the order of the ride."""
    parts = ride_parts(recording)
    told = [row for row in recording.events if row.event not in _QUIET]
    counts: Counts = Counter((row.sensor, row.event) for row in recording.events if row.event in _COUNTED)
    shown = [(row.host_ns, row.sensor or "", event_words(row)) for row in told[:MOST_HAPPENINGS]]
    # A file begins behind what ends the one before: sorting leaves those at one time in their order.
    seams = [(after.offset_ns, "", gap_sentence(before, after)) for before, after in pairwise(parts)]
    files = [(part.name, tuple(_file(part, digest))) for part, digest in zip(parts, sha256, strict=True)]
    single = len(parts) == 1
    return RideFacts(
        (*_ride(recording), *(files[0][1] if single else ()), Fact("Report by", f"wattproof {product_version()}")),
        () if single else tuple(files),
        tuple(_sensor(name, recording, counts) for name in recording.bench.stream_names),
        tuple(Happening(clock(ns), who, words) for ns, who, words in sorted([*seams, *shown], key=lambda h: h[0])),
        len(told) - len(shown),
    )


def _ride(recording: Recording) -> Iterable[Fact]:
    anchors = recording.metadata.utc_anchors
    parts = ride_parts(recording)
    named = (((p.recording.metadata.plan or {}).get("plan") or {}).get("name") for p in parts)
    plans = list(dict.fromkeys(str(name) for name in named if name))
    yield Fact("Bench", recording.bench.bench.name)
    yield Fact("Start", utc(anchors[0][1]) if anchors else UNKNOWN)
    yield Fact("Length", duration(recording.end_ns))
    if len(parts) > 1:
        yield Fact("Recorded", f"{duration(sum(p.recording.end_ns for p in parts))} in {len(parts)} files")
    yield Fact("Plan", ", then ".join(plans) or "none: segments were marked by hand, or not at all")


def _file(part: Part, sha256: str) -> Iterable[Fact]:
    recording, metadata = part.recording, part.recording.metadata
    again = f"; decoded again by version {DECODER_VERSION} for this report" if recording.decoded_again else ""
    yield Fact("End", _finish(recording))
    yield Fact("File", recording.path.name)
    yield Fact("SHA-256 of the file", sha256)
    if recording.amendments is not None:
        yield Fact("SHA-256 of its amendments", recording.amendments.sha256)
    yield Fact("Session", metadata.session_id)
    if metadata.continues:
        yield Fact("Continues", metadata.continues)
    made = "Imported by" if ride_sources(metadata) else "Recorded by"
    yield Fact(made, f"wattproof {metadata.product_version} on {metadata.host}, clock: {metadata.clock}")
    yield Fact("Decoder", f"version {metadata.decoder_version}{again}")


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
    told = [part.recording.metadata for part in ride_parts(recording)]
    sources = [found for metadata in told if (found := ride_sources(metadata).get(name)) is not None]
    return SensorFacts(
        name,
        (*(fact for source in sources for fact in _imported(source)), *_identity(name, about, recording)),
        tuple(_zero_offsets(name, recording.events)),
        counts[name, Event.LINK_LOST],
        counts[name, Event.DUPLICATE_DROPPED],
        counts[name, Event.NOT_UNDERSTOOD],
        counts[name, Event.BURST],
        sum(metadata.rows_per_sensor.get(name, 0) for metadata in told),
        any(source.aligned for source in sources),
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
    if about is not None:
        claim = "none stated" if about.claim_pct is None else f"± {about.claim_pct:g} %"
        yield Fact("Place", f"{about.place}, {_SIDES[about.sides]}")
        yield Fact("Claim", claim)
        if about.unit:
            yield Fact("Unit", about.unit)
    for label, key in _IDENTITY:
        if said := _said(name, key, recording):
            yield Fact(label, _then([str(value) for value in said]))
    firmware = _over_time(name, "firmware_revision", recording.events) or [
        str(value) for value in _said(name, "firmware_revision", recording) or [UNKNOWN]
    ]
    wanted = about.expected_firmware if about is not None else None
    differs = wanted is not None and any(f != wanted for f in firmware)
    yield Fact("Firmware", _then(firmware) + (f" (expected {wanted})" if differs else ""))
    yield Fact("Battery", _battery(name, recording))
    lengths = _said(name, "crank_length_mm", recording)
    if lengths or (about is not None and about.crank_length_mm is not None):
        yield Fact("Crank length", _crank_length(lengths, about))


def _said(name: str, key: str, recording: Recording) -> list[Any]:
    """What the sensor said of itself in each file of the ride."""
    sensors = [part.recording.metadata.sensors.get(name, {}) for part in ride_parts(recording)]
    return [said[key] for said in sensors if key in said]


def _then(values: Iterable[str]) -> str:
    return ", then ".join(dict.fromkeys(values))


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


def _battery(name: str, recording: Recording) -> str:
    samples = recording.samples.get(name)
    if samples is not None and len(samples.battery_pct):
        first, last = samples.battery_pct.values[0], samples.battery_pct.values[-1]
        return f"{first:.0f} % first, {last:.0f} % last"
    told = [f"{v} % when linked" for v in _said(name, "battery_pct", recording) if isinstance(v, int | float)]
    return _then(told) or "not told"


def _crank_length(said: Sequence[Any], about: Meter | None) -> str:
    told = [f"{length:g} mm set in the sensor" for length in said if isinstance(length, int | float)]
    in_meter = _then(told) or "not told by the sensor"
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
