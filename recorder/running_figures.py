"""Figures of a ride that goes on: what can no longer change is kept, the rest made from the last minutes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from analysis.bench_file import Bench
from analysis.comparison import Setup
from analysis.lag import SEARCH_S
from analysis.live_judgement import (
    Against,
    Judged,
    LiveJudgement,
    by_meter,
    difference_trend,
    evidence_suffices,
    judge_segments_so_far,
    pooled_against,
    renew_s,
    running_until,
    split_segments,
    window_against,
)
from analysis.meter_signal import MeterSignal, bench_signals
from analysis.row_samples import SampleGatherer, samples_since
from analysis.rows import Row
from analysis.samples import Floats
from analysis.segment_metrics import SegmentMetrics
from analysis.segments import Segment, whole_ride
from analysis.untimed import untimed_mark

S = 1_000_000_000
# Held values reach 6 s, a lag 5 s: what is older changes nothing any more.
REACH_NS = 20 * S
SETTLED_NS = round((SEARCH_S + 3) * 1e9)
TREND_S, TREND_STEP_S = 300, 5

T = TypeVar("T")


@dataclass(frozen=True)
class RunningFigures:
    """`results`: the finished segments, then the running one. `trend_pct` is by meter, as `difference_trend`."""

    finished: Judged
    running: Judged
    meters: Mapping[str, LiveJudgement]
    trend_pct: Mapping[str, Floats]

    @property
    def results(self) -> tuple[SegmentMetrics, ...]:
        return self.finished.results + self.running.results

    @property
    def decided(self) -> bool:
        return evidence_suffices(self.meters, self.running)


class FigureMaker:
    """One per ride and thread. What it returns depends on nothing but what it is given; it remembers to save work."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[object, Any]] = {}

    def figures(
        self,
        gatherer: SampleGatherer,
        bench: Bench,
        setup: Setup,
        segment_rows: Sequence[Row],
        now_ns: int,
        *,
        window_s: int,
        has_plan: bool,
    ) -> RunningFigures:
        """A ride without plan and marks is one segment, as in its report."""
        known_ns = known_until(gatherer, setup, now_ns)
        finished, running = split_segments(segment_rows, known_ns)
        if not segment_rows and not has_plan and known_ns > 0:
            running = running_until(whole_ride(known_ns), known_ns)
        ride = _Ride(gatherer, bench, setup)
        mark = (bench, setup, untimed_mark(gatherer.samples()) if gatherer.untimed else ())
        settled = not finished or known_ns > finished[-1].stop_ns + SETTLED_NS
        done: Judged = self._keep("finished", (mark, finished, settled), lambda: ride.judged(finished))
        present: Judged = self._keep("running", (mark, running), lambda: ride.judged_lately(running))
        second = known_ns // S
        window: dict[str, Against] = self._keep(
            "window", (mark, second, window_s), lambda: ride.window(known_ns, window_s)
        )
        trend: dict[str, Floats] = self._keep("trend", (mark, second // TREND_STEP_S), lambda: ride.trend(known_ns))
        steady: dict[str, Against] = self._keep(
            "steady", (mark, finished, settled, _pooled_at(done, running)), lambda: ride.pooled(done, present)
        )
        return RunningFigures(done, present, by_meter(window, present, steady), trend)

    def _keep(self, name: str, key: object, make: Callable[[], T]) -> T:
        if name not in self._kept or self._kept[name][0] != key:
            self._kept[name] = (key, make())
        kept: T = self._kept[name][1]
        return kept


@dataclass(frozen=True)
class _Ride:
    gatherer: SampleGatherer
    bench: Bench
    setup: Setup

    def judged(self, segments: Sequence[Segment]) -> Judged:
        if not segments:
            return Judged()
        return judge_segments_so_far(bench_signals(self.bench, self.gatherer.samples()), segments, self.setup)

    def judged_lately(self, running: Segment | None) -> Judged:
        if running is None:
            return Judged()
        return judge_segments_so_far(self.signals_since(running.start_ns), [running], self.setup)

    def window(self, now_ns: int, window_s: int) -> dict[str, Against]:
        return window_against(self.signals_since(now_ns - window_s * S), now_ns, self.setup, window_s)

    def trend(self, now_ns: int) -> dict[str, Floats]:
        return difference_trend(self.signals_since(now_ns - TREND_S * S), now_ns, self.setup, TREND_S, TREND_STEP_S)

    def pooled(self, finished: Judged, running: Judged) -> dict[str, Against]:
        return pooled_against(self.signals_since(self.gatherer.last_ns), finished, running, self.setup)

    def signals_since(self, from_ns: int) -> dict[str, MeterSignal]:
        """Sums of whole watts are exact wherever they begin, so that the figures are those of the whole signals."""
        samples = self.gatherer.samples()
        return bench_signals(self.bench, {n: samples_since(s, from_ns - REACH_NS) for n, s in samples.items()})


def _pooled_at(finished: Judged, running: Segment | None) -> object:
    """Changes as often as the pooled figures are worth making anew."""
    if running is None:
        return None
    pooled_s = max((sum(e.seconds for e in parts) for parts in finished.evidence.values()), default=0)
    running_s = int(running.judged_s)
    return running.segment_no, running.start_ns, running_s // renew_s(pooled_s + running_s)


def known_until(gatherer: SampleGatherer, setup: Setup, now_ns: int) -> int:
    """Up to here nothing more will come: the last row, less the longest lag, since such a meter answers later."""
    return min(now_ns, gatherer.last_ns) - round(max([0.0, *setup.lags_s.values()]) * 1e9)
