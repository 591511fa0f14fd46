"""From ride files on one clock to the rows of a recording: records as payloads, and what happened as events."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.bench_file import Bench, meter_streams
from analysis.ride_files.ride_file import RideFile, Span
from analysis.rows import Event, Row
from analysis.samples import Ints
from recorder.import_clocks import PlacedClock
from recorder.import_segments import WantedSegment

REASON = "the end of the files"
LAG_WORDS = "the clocks were put together so that the powers fit: the lag of the meter is taken out with that"


@dataclass(frozen=True, eq=False)
class PlacedFile:
    """`host_ns` (n,): its records in ns since the start of the recording."""

    sensor: str
    file: RideFile
    clock: PlacedClock
    zero_ns: int

    @property
    def host_ns(self) -> Ints:
        return self.clock.to_reference_ns(self.file.time_ns) - self.zero_ns

    def host_span(self, span: Span) -> tuple[int, int]:
        start_ns, stop_ns = self.clock.to_reference_ns(np.array([span.start_ns, span.stop_ns], np.int64))
        return int(start_ns) - self.zero_ns, int(stop_ns) - self.zero_ns


def placed_files(files: Mapping[str, RideFile], clocks: Mapping[str, PlacedClock]) -> dict[str, PlacedFile]:
    """The recording starts with the first record of all."""
    zero_ns = min(int(clocks[name].to_reference_ns(file.time_ns).min()) for name, file in files.items())
    return {name: PlacedFile(name, file, clocks[name], zero_ns) for name, file in files.items()}


def lap_segments(placed: PlacedFile) -> list[WantedSegment]:
    found = []
    for lap in placed.file.laps:
        start_ns, stop_ns = placed.host_span(lap)
        found.append(WantedSegment(lap.name, "free", start_ns, stop_ns, "lap"))
    return found


def imported_rows(
    placed: Mapping[str, PlacedFile], bench: Bench, segments: Sequence[WantedSegment], notes: Iterable[str] = ()
) -> list[Row]:
    """In host order, closed by the end of the recording."""
    end_ns = max(int(p.host_ns.max()) for p in placed.values())
    rows = [Row(0, "event", event=Event.NOTE, detail={"text": text}) for text in notes]
    for p in placed.values():
        rows += _records(p)
        rows += _happenings(p, end_ns)
    rows += _lags(placed, bench)
    rows += _segment_rows(segments)
    rows.sort(key=lambda row: row.host_ns)
    return [*rows, Row(end_ns, "event", event=Event.FINISHED, detail={"reason": REASON})]


def _records(placed: PlacedFile) -> Iterator[Row]:
    times = zip(placed.host_ns.tolist(), placed.file.time_ns.tolist(), placed.file.payloads, strict=True)
    for seq, (host_ns, origin_ns, payload) in enumerate(times):
        yield Row(host_ns, "imported", placed.sensor, None, payload, origin_ns=origin_ns, origin_seq=seq)


def _happenings(placed: PlacedFile, end_ns: int) -> Iterator[Row]:
    for remark in (*placed.file.remarks, placed.clock.remark):
        if remark:
            yield _event(0, placed.sensor, Event.NOTE, text=f"{placed.file.name}: {remark}")
    for pause in placed.file.pauses:
        start_ns, _ = placed.host_span(pause)
        yield _event(min(max(start_ns, 0), end_ns), placed.sensor, Event.PAUSED, paused_s=round(pause.seconds, 3))
    for at_ns in placed.file.calibrations_ns:
        start_ns, _ = placed.host_span(Span(at_ns, at_ns))
        words = "the file says that a sensor was calibrated"
        yield _event(min(max(start_ns, 0), end_ns), placed.sensor, Event.NOTE, text=words)


def _event(host_ns: int, sensor: str, event: str, **detail: Any) -> Row:
    return Row(host_ns, "event", sensor, event=event, detail=detail)


def _lags(placed: Mapping[str, PlacedFile], bench: Bench) -> Iterator[Row]:
    """An estimated offset holds the lag already: adopted as 0, so that no report shifts once more."""
    owner = {stream: m.name for m in bench.meter for stream in meter_streams(m)}
    told = set()
    for name, p in placed.items():
        meter, reference = owner.get(name), owner.get(p.clock.reference)
        if p.clock.method != "correlation" or meter is None or meter == reference or meter in told:
            continue
        told.add(meter)
        detail = {"meter": meter, "reference": reference, "lag_s": 0.0, "words": f"{meter}: {LAG_WORDS}"}
        yield Row(0, "event", event=Event.LAG_ADOPTED, detail={**detail, "half_width_s": p.clock.half_width_s})


def _segment_rows(segments: Sequence[WantedSegment]) -> Iterator[Row]:
    for number, segment in enumerate(segments, 1):
        # No file tells how the rider sat.
        about = {"name": segment.name, "step_kind": segment.kind, "settle_s": 0.0}
        yield Row(segment.start_ns, "event", event=Event.SEGMENT_START, detail={"segment_no": number, **about})
        end = {"segment_no": number, "ended_by": segment.ended_by}
        yield Row(segment.stop_ns, "event", event=Event.SEGMENT_END, detail=end)
