"""Whether the evidence of the running step suffices, and which lags are known: computed in a thread beside a ride."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analysis.bench_file import Bench
from analysis.comparison import Setup, setup_of
from analysis.lag import SEARCH_S
from analysis.live_judgement import (
    Judged,
    evidence_suffices,
    join_judgements,
    judge_segments_so_far,
    split_segments,
)
from analysis.meter_signal import bench_signals
from analysis.ride_lag import ADOPT_EVERY_S, adopt_lag, adopted_lags
from analysis.row_samples import SampleGatherer
from analysis.rows import Event, Row
from analysis.samples import SensorSamples
from analysis.segments import Segment
from analysis.untimed import takes_dates, untimed_mark
from recorder.source import RecordSink

LOOK_EVERY_S = 2.0
_SETTLED_NS = round((SEARCH_S + 3) * 1e9)  # later than this after a segment, no row changes its figures any more
_MARKS = (Event.SEGMENT_START, Event.SEGMENT_END)


@dataclass(frozen=True)
class RideSoFar:
    """All that was received up to one instant; later rows change none of it, so a thread may take its time."""

    samples: Mapping[str, SensorSamples]
    marks: tuple[Row, ...]
    lags: tuple[Row, ...]
    last_ns: int


class LiveDecision:
    """An onlooker of a recording. `wanted` tells whether anybody minds lags and verdicts before the ride is over."""

    def __init__(self, bench: Bench, reference: Callable[[], str | None], wanted: Callable[[], bool]) -> None:
        self.faults = 0
        self._bench = bench
        self._reference = reference
        self._wanted = wanted
        self._gatherer = SampleGatherer()
        self._marks: list[Row] = []
        self._lags: list[Row] = []
        self._decided_segment: Any = None
        self._kept: tuple[object, Judged] | None = None

    def __call__(self, row: Row, fields: Mapping[str, Any]) -> None:
        if row.event in _MARKS:
            self._marks.append(row)
        elif row.event == Event.LAG_ADOPTED:
            self._lags.append(row)
        elif row.event is None or takes_dates(row):
            self._gatherer.add(row, fields)

    def decided(self) -> bool:
        """Of the step that is running now."""
        last = self._marks[-1] if self._marks else None
        running = last is not None and last.event == Event.SEGMENT_START
        return last is not None and running and last.detail.get("segment_no") == self._decided_segment

    async def run(self, sink: RecordSink, until_decided: Callable[[], bool]) -> None:
        """`until_decided`: whether the running step asks for a verdict. Lags that have become known go to `sink`."""
        next_lags_s = asyncio.get_running_loop().time() + ADOPT_EVERY_S
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            try:
                if self._wanted() and asyncio.get_running_loop().time() >= next_lags_s:
                    next_lags_s += ADOPT_EVERY_S
                    for detail in await self._in_thread(self._new_lags):
                        sink.happened(Event.LAG_ADOPTED, **detail)
                if until_decided():
                    self._decided_segment = await self._in_thread(self._decided_now)
            except Exception as fault:  # noqa: BLE001 - a fault of a statistic must not touch the recording
                self.faults += 1
                if self.faults == 1:
                    words = f"the live verdict failed ({type(fault).__name__}: {fault}); steps take their full time"
                    sink.happened(Event.NOTE, text=words)

    async def _in_thread(self, work: Callable[[RideSoFar, Setup], Any]) -> Any:
        so_far = RideSoFar(self._gatherer.samples(), tuple(self._marks), tuple(self._lags), self._gatherer.last_ns)
        setup = setup_of(self._bench, self._reference())
        setup = replace(setup, lags_s=adopted_lags(so_far.lags, setup.reference))
        return await asyncio.get_running_loop().run_in_executor(None, work, so_far, setup)

    def _new_lags(self, so_far: RideSoFar, setup: Setup) -> list[dict[str, Any]]:
        signals = bench_signals(self._bench, so_far.samples)
        missing = [m.name for m in self._bench.meter if m.name not in setup.lags_s and m.name != setup.reference]
        found = (adopt_lag(signals, name, setup.reference, so_far.last_ns) for name in missing)
        return [detail for detail in found if detail is not None]

    def _decided_now(self, so_far: RideSoFar, setup: Setup) -> Any:
        """The number of the running segment where its evidence suffices, else None."""
        known_ns = so_far.last_ns - round(max([0.0, *setup.lags_s.values()]) * 1e9)
        finished, running = split_segments(so_far.marks, known_ns)
        if running is None:
            return None
        signals = bench_signals(self._bench, so_far.samples)
        present = judge_segments_so_far(signals, [running], setup)
        meters = join_judgements(signals, self._finished(so_far, setup, finished), present, {}, setup)
        return running.segment_no if evidence_suffices(meters, present) else None

    def _finished(self, so_far: RideSoFar, setup: Setup, segments: Sequence[Segment]) -> Judged:
        settled = not segments or so_far.last_ns > segments[-1].stop_ns + _SETTLED_NS
        key = (tuple(segments), setup, settled, untimed_mark(so_far.samples))
        if self._kept is None or self._kept[0] != key:
            signals = bench_signals(self._bench, so_far.samples)
            self._kept = (key, judge_segments_so_far(signals, segments, setup) if segments else Judged())
        return self._kept[1]
