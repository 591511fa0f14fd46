"""The figures that a ride shows while it runs, by the functions of its report, with verdicts that bear watching."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.comparison import APART, Comparison, Pair, Setup, compare
from analysis.confidence_sequence import FIRST_VERDICT_S, WANDER_FLOOR_PCT2_S, LiveInterval, live_interval
from analysis.fresh_means import SECOND_NS
from analysis.mean_interval import RatioSeries, prewhitened_interval, ratio_series
from analysis.meter_figures import mean_of
from analysis.meter_signal import MeterSignal
from analysis.paired_seconds import PairedSeconds, paired_seconds
from analysis.rows import Row
from analysis.samples import Floats
from analysis.segment_metrics import SegmentMetrics, segment_metrics
from analysis.segments import Segment, segments_from_events
from analysis.tolerance import Expectation
from analysis.verdict import Word, decide, seconds_to_decide

# A mean over so many seconds does not move within one, so that long stretches are computed less often.
RENEW_PARTS = 600
NOT_POOLED = APART | {"warm-up", "cool-down"}


@dataclass(frozen=True)
class Against:
    """A meter against the reference over some stretch, with an interval that holds however long one watches.

    `away_pct` is the difference less what the chain explains; `word` compares `away_pct` ± `half_width_pct` with
    ± `tolerance_pct`. nan where it cannot be said, `why_not` then tells.
    """

    difference_w: float
    difference_pct: float
    away_pct: float
    half_width_pct: float
    tolerance_pct: float
    word: Word
    seconds: int
    seconds_to_decide: float
    why_not: str = ""


@dataclass(frozen=True)
class Evidence:
    """What one segment says of one meter, second by second (n,); nan where the two are not compared."""

    step_kind: str
    pair: PairedSeconds
    ratio: RatioSeries
    expectation: Expectation
    torque_nm: float

    @property
    def seconds(self) -> int:
        return int(np.count_nonzero(np.isfinite(self.pair.meter_w)))

    @property
    def away_pct(self) -> Floats:
        """Each second's difference less what the chain explains, in % of the expected reading."""
        expected = self.expectation
        return expected.away_pct(self.ratio.difference_pct) + self.ratio.residual_pct / expected.ratio


@dataclass(frozen=True)
class Judged:
    """Figures of some segments as the report has them, and by meter what they add to the pooled verdict."""

    results: tuple[SegmentMetrics, ...] = ()
    evidence: Mapping[str, tuple[Evidence, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class LiveJudgement:
    """One meter: over the last seconds, over the running segment, and over all steady steps so far."""

    window: Against | None
    segment: Against | None
    steady: Against | None


def split_segments(events: Iterable[Row], now_ns: int) -> tuple[tuple[Segment, ...], Segment | None]:
    """Those that are finished, and the one that is running, as if it were `decided` now.

    The running one stops on a whole second of its judged part, in long ones on each 2nd, 4th, ...: so its figures
    are made no more often than they change.
    """
    found = segments_from_events(events, now_ns)
    running = [s for s in found if s.ended_by == "interrupted"]
    finished = tuple(s for s in found if s.ended_by != "interrupted")
    return finished, running_until(running[-1], now_ns) if running else None


def running_until(segment: Segment, now_ns: int) -> Segment:
    """The segment as it stands at the last whole step before now."""
    judged_s = max((now_ns - segment.start_ns - segment.settle_ns) // SECOND_NS, 0)
    step_s = renew_s(judged_s)
    whole_ns = segment.settle_ns + judged_s // step_s * step_s * SECOND_NS
    stop_ns = max(min(segment.start_ns + whole_ns, now_ns), segment.start_ns)
    return replace(segment, stop_ns=stop_ns, ended_by="decided")


def renew_s(seconds: int) -> int:
    """How often figures over so many seconds are worth making anew."""
    step_s = 1
    while seconds > RENEW_PARTS * step_s:
        step_s *= 2
    return step_s


def judge_segments_so_far(signals: Mapping[str, MeterSignal], segments: Sequence[Segment], setup: Setup) -> Judged:
    """As the report computes them. Depends on nothing but what it is given, so that it may be kept."""
    results = segment_metrics(signals, segments, setup)
    pooled = [r for r in results if r.segment.step_kind not in NOT_POOLED]
    names = dict.fromkeys(name for r in pooled for name in r.comparisons)
    return Judged(results, {name: tuple(_evidence(signals, name, r, setup) for r in pooled) for name in names})


def join_judgements(
    signals: Mapping[str, MeterSignal],
    finished: Judged,
    running: Judged,
    window: Mapping[str, Against],
    setup: Setup,
) -> dict[str, LiveJudgement]:
    """`signals` is asked for the meters' bench entries only."""
    return by_meter(window, running, pooled_against(signals, finished, running, setup))


def by_meter(
    window: Mapping[str, Against], running: Judged, steady: Mapping[str, Against]
) -> dict[str, LiveJudgement]:
    segment = {n: segment_against(c, r.segment) for r in running.results for n, c in r.comparisons.items()}
    names = dict.fromkeys([*window, *segment, *steady])
    return {name: LiveJudgement(window.get(name), segment.get(name), steady.get(name)) for name in names}


def window_against(
    signals: Mapping[str, MeterSignal], now_ns: int, setup: Setup, window_s: int
) -> dict[str, Against]:
    """The last `window_s` whole seconds; they decide nothing, since a window that moves on would look for ever."""
    stop_ns = now_ns // SECOND_NS * SECOND_NS
    segment = Segment(0, "window", max(stop_ns - window_s * SECOND_NS, 0), stop_ns, ended_by="decided")
    (compared,) = compare(signals, [segment], setup)
    return {
        name: replace(
            _against(c),
            word="undecided",
            seconds_to_decide=math.inf,
            why_not=_nothing(c) or "a window decides nothing",
        )
        for name, c in compared.items()
    }


def segment_against(comparison: Comparison, segment: Segment) -> Against:
    """One segment by itself, with the word that the report gives it."""
    shown = _against(comparison)
    if segment.step_kind in APART:
        why = "sprints are judged together" if segment.step_kind == "sprint" else "nobody is compared while zeroing"
        return replace(shown, word="undecided", seconds_to_decide=math.inf, why_not=why)
    if shown.word == "undecided" and not shown.why_not and comparison.away_pct.too_short:
        return replace(shown, why_not="too short to tell")
    return shown


def pooled_against(
    signals: Mapping[str, MeterSignal], finished: Judged, running: Judged, setup: Setup
) -> dict[str, Against]:
    """All steady steps so far together; where none is called steady, all but sprints and the easy ends of a ride.

    `signals` is asked for the meters' bench entries only.
    """
    names = dict.fromkeys([*finished.evidence, *running.evidence])
    found = {}
    for name in names:
        parts = [*finished.evidence.get(name, ()), *running.evidence.get(name, ())]
        parts = [p for p in parts if p.step_kind == "steady"] or parts
        found[name] = _pooled(signals[name], signals[str(setup.reference)], parts, setup)
    return found


def pooled_interval(series_pct: Sequence[Floats], floor_pct2_s: float = WANDER_FLOOR_PCT2_S) -> LiveInterval:
    """Of the seconds of all segments together; the end of one segment is not followed by the start of the next."""
    # A floor learnt from the ride itself after 8 min errs no less and decides later: tests/experiments/watching.py.
    gap = np.full(1, np.nan)
    joined = [part for series in series_pct for part in (series, gap)]
    return live_interval(prewhitened_interval(np.concatenate(joined) if joined else gap), floor_pct2_s)


def evidence_suffices(judgements: Mapping[str, LiveJudgement], running: Judged) -> bool:
    """Whether a step that lasts until decided may end: every verdict is in, and the step is long enough to count."""
    if not judgements or not running.results:
        return False
    compared = running.results[-1].comparisons
    return all(
        j.steady is not None
        and j.steady.word != "undecided"
        and name in compared
        and not compared[name].away_pct.too_short
        for name, j in judgements.items()
    )


def difference_trend(
    signals: Mapping[str, MeterSignal], now_ns: int, setup: Setup, length_s: int, step_s: int
) -> dict[str, Floats]:
    """The difference of each meter in % over the last whole steps, oldest first; nan where a second is missing."""
    steps = length_s // step_s
    stop_ns = now_ns // (step_s * SECOND_NS) * step_s * SECOND_NS
    start_ns = max(stop_ns - steps * step_s * SECOND_NS, 0)
    segment = Segment(0, "trend", start_ns, stop_ns)
    base = signals.get(setup.reference) if setup.reference is not None else None
    if base is None or base.power is None or stop_ns == start_ns:
        return {}
    found = {}
    for name, signal in signals.items():
        if signal.power is not None and name != base.name:
            pair = paired_seconds(signals, name, base.name, segment, setup.lags_s.get(name, 0.0))
            meter_w = pair.meter_w.reshape(-1, step_s).sum(axis=1)
            base_w = pair.reference_w.reshape(-1, step_s).sum(axis=1)
            found[name] = 100 * (meter_w / np.where(base_w > 0, base_w, np.nan) - 1)
    return found


def _evidence(signals: Mapping[str, MeterSignal], name: str, result: SegmentMetrics, setup: Setup) -> Evidence:
    comparison = result.comparisons[name]
    reference = comparison.reference
    pair = paired_seconds(signals, name, reference, result.segment, setup.lags_s.get(name, 0.0))
    return Evidence(
        result.segment.step_kind,
        pair,
        ratio_series(pair.meter_w, pair.reference_w),
        comparison.expectation,
        result.meters[reference].mean_torque_nm,
    )


def _pooled(signal: MeterSignal, base: MeterSignal, parts: Sequence[Evidence], setup: Setup) -> Against:
    parts = [p for p in parts if math.isfinite(p.ratio.difference_pct)]
    if not parts:
        return _cannot("no seconds in common")
    interval = pooled_interval([p.away_pct for p in parts])
    difference_w = np.concatenate([p.pair.difference_w for p in parts])
    reference_w = np.concatenate([p.pair.reference_w for p in parts])
    seconds = [p.seconds for p in parts]
    pair = Pair(signal.about, base.about, _weighted([p.torque_nm for p in parts], seconds), setup)
    tolerance = pair.tolerance(mean_of(reference_w))
    if tolerance is None:
        return _cannot("the reference reads nothing")
    shown = Against(
        difference_w=mean_of(difference_w),
        difference_pct=_weighted([p.ratio.difference_pct for p in parts], seconds),
        away_pct=interval.mean_pct,
        half_width_pct=interval.half_width_pct,
        tolerance_pct=tolerance.pct,
        word=decide(interval.mean_pct, interval.half_width_pct, tolerance.pct),
        seconds=interval.fresh_s,
        seconds_to_decide=seconds_to_decide(
            interval.mean_pct, interval.half_width_pct, tolerance.pct, float(interval.fresh_s)
        ),
    )
    return _not_too_early(shown)


def _against(comparison: Comparison) -> Against:
    shown = Against(
        difference_w=comparison.mean_difference_w,
        difference_pct=comparison.difference_pct.mean,
        away_pct=comparison.away_pct.mean,
        half_width_pct=comparison.away_pct.half_width,
        tolerance_pct=math.nan if comparison.tolerance is None else comparison.tolerance.pct,
        word=comparison.word,
        seconds=comparison.seconds,
        seconds_to_decide=comparison.seconds_to_decide,
        why_not=_nothing(comparison),
    )
    return shown if shown.why_not else _not_too_early(shown)


def _nothing(comparison: Comparison) -> str:
    if not comparison.seconds:
        return "no seconds in common"
    return "the reference reads nothing" if comparison.tolerance is None else ""


def _not_too_early(shown: Against) -> Against:
    if shown.seconds >= FIRST_VERDICT_S:
        return shown
    wait_s = max(shown.seconds_to_decide, float(FIRST_VERDICT_S - shown.seconds))
    return replace(shown, word="undecided", seconds_to_decide=wait_s, why_not="too early to tell")


def _cannot(why: str) -> Against:
    return Against(math.nan, math.nan, math.nan, math.inf, math.nan, "undecided", 0, math.inf, why)


def _weighted(values: Sequence[float], seconds: Sequence[int]) -> float:
    known = [(v, s) for v, s in zip(values, seconds, strict=True) if math.isfinite(v) and s]
    return sum(v * s for v, s in known) / sum(s for _, s in known) if known else math.nan
