"""Everything that the objections are answered from: the ride as read and judged, and what was tried otherwise.

Knows no objection.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from analysis.bench_file import Meter, meter_streams
from analysis.comparison import ASSUMED_CLAIM_PCT, Setup
from analysis.judge import Judged
from analysis.meter_signal import bench_signals
from analysis.pack.row_check import RowCheck
from analysis.pack.terms import Terms
from analysis.recording_reader import Recording
from analysis.report_page.number_text import clock, duration, utc
from analysis.ride_source import Source, ride_sources
from analysis.ride_verdict import counted_segments, ride_verdicts
from analysis.rows import Event, Row
from analysis.segment_metrics import SegmentMetrics, segment_metrics
from analysis.verdict import Word


@dataclass(frozen=True)
class Tried:
    """The words of the verdicts under another assumption."""

    assumption: str
    words: Mapping[str, Word]


@dataclass(frozen=True)
class Case:
    """`tried`: other losses of the chain and the cautious tolerance, one at a time."""

    recording: Recording
    judged: Judged
    rows: RowCheck
    terms: Terms
    tried: tuple[Tried, ...]

    @property
    def on_test(self) -> tuple[Meter, ...]:
        """The meters that were compared, and the reference; all of the bench where nothing was compared."""
        names = {str(self.judged.reference), *self.judged.verdicts}
        found = tuple(m for m in self.recording.bench.meter if m.name in names)
        return found if self.judged.verdicts else self.recording.bench.meter

    def meter(self, name: str | None) -> Meter | None:
        return next((m for m in self.recording.bench.meter if m.name == name), None)

    @cached_property
    def counted(self) -> tuple[SegmentMetrics, ...]:
        """The segments that the verdicts rest on."""
        return tuple(counted_segments(self.judged.segments))

    @property
    def judged_ns(self) -> tuple[int, int]:
        """From the first second that counts to the last; the whole ride where no segment does."""
        if not self.counted:
            return 0, self.recording.end_ns
        segments = [r.segment for r in self.counted]
        return min(s.judged_from_ns for s in segments), max(s.stop_ns for s in segments)

    def inside(self, host_ns: int) -> bool:
        """Whether a moment lies in a segment that counts."""
        return any(r.segment.judged_from_ns <= host_ns < r.segment.stop_ns for r in self.counted)

    def events(self, name: str, sensor: str | None = None) -> list[Row]:
        return [e for e in self.recording.events if e.event == name and sensor in (None, e.sensor)]

    def said(self, stream: str) -> list[tuple[int | None, Mapping[str, Any]]]:
        """What a sensor told of itself, each time with when; without a time where only the metadata has it."""
        told: list[tuple[int | None, Mapping[str, Any]]] = [
            (e.host_ns, e.detail) for e in self.events(Event.IDENTIFIED, stream)
        ]
        known = self.recording.metadata.sensors.get(stream, {})
        return told or ([(None, _of_file(known))] if known else [])

    @cached_property
    def sources(self) -> Mapping[str, Source]:
        """The ride file behind each stream that was imported."""
        return ride_sources(self.recording.metadata)

    @property
    def all_from_files(self) -> bool:
        return bool(self.rows.kinds) and all(self.from_file(s) for s in self.rows.kinds)

    def from_file(self, stream: str) -> bool:
        """Whether all that is known of a stream comes from a file of another device: nobody here could ask it."""
        return set(self.rows.kinds.get(stream, ())) == {"imported"}

    def utc_words(self, host_ns: int) -> str:
        anchors = self.recording.metadata.utc_anchors
        if not anchors:
            return "at a time of day that was not recorded"
        at_host_ns, at_utc_ns = min(anchors, key=lambda a: abs(a[0] - host_ns))
        return utc(at_utc_ns + host_ns - at_host_ns)

    def host_ns(self, utc_ns: int) -> int | None:
        anchors = self.recording.metadata.utc_anchors
        return utc_ns - anchors[0][1] + anchors[0][0] if anchors else None

    def mean_of(self, meter: str, figure: str) -> float:
        """Over the segments that count, each with equal weight; nan where none tells it."""
        values = [getattr(r.meters[meter], figure) for r in self.counted if meter in r.meters]
        told = [v for v in values if math.isfinite(v)]
        return sum(told) / len(told) if told else math.nan


def _of_file(known: Mapping[str, Any]) -> Mapping[str, Any]:
    """A ride file of another device names the meter in its own words; the rest is as a sensor tells it by radio."""
    source = known.get("source")
    meter = source.get("meter") if isinstance(source, Mapping) else None
    if not isinstance(meter, Mapping):
        return known
    renamed = {"product": "model", "firmware": "firmware_revision"}
    return {renamed.get(str(key), str(key)): value for key, value in meter.items()}


def streams(meter: Meter) -> tuple[str, ...]:
    return meter_streams(meter)


def claim_pct(meter: Meter | None) -> float:
    return ASSUMED_CLAIM_PCT if meter is None or meter.claim_pct is None else meter.claim_pct


def when(host_ns: int) -> str:
    if host_ns < 0:
        return f"{duration(-host_ns)} before the recording began"
    return f"at {clock(host_ns)} of the recording"


def case_of(recording: Recording, judged: Judged, rows: RowCheck, terms: Terms) -> Case:
    return Case(recording, judged, rows, terms, tuple(_tried(recording, judged)))


def _tried(recording: Recording, judged: Judged) -> Iterator[Tried]:
    if not judged.verdicts:
        return
    signals = bench_signals(recording.bench, recording.samples)
    for assumption, setup in _assumptions(judged):
        verdicts = ride_verdicts(signals, segment_metrics(signals, recording.segments, setup), setup)
        yield Tried(assumption, {name: v.judgement.word for name, v in verdicts.items()})


def _assumptions(judged: Judged) -> Iterator[tuple[str, Setup]]:
    setup = judged.setup
    chain = setup.chain
    if any(v.expected_sd_pct for v in judged.verdicts.values()):
        for loss in (max(chain.loss_pct - chain.loss_sd_pct, 0.0), chain.loss_pct + chain.loss_sd_pct):
            yield (
                f"with a chain loss of {loss:g} % instead of {chain.loss_pct:g} %",
                replace(setup, chain=replace(chain, loss_pct=loss)),
            )
    yield "with both claims and the doubt of the chain added up in full", replace(setup, worst_case=True)
