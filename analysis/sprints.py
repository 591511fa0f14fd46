"""Knows how meters compare in sprints: peaks raw and at equal smoothing to be shown, pulse work to be judged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.fresh_means import SECOND_NS, exponentially_smoothed, fresh_means, ns
from analysis.meter_signal import MeterSignal
from analysis.power_figures import PULSE_AFTER_NS, PULSE_BEFORE_NS, greatest_mean_w, greatest_sample_w, pulse_work_j
from analysis.samples import Floats
from analysis.segments import Segment
from analysis.tolerance import Expectation
from analysis.verdict import Judgement, judge_sprints

FINE_HZ = 20
OVERLAY_HZ = 4
OVERLAY_FROM_S, OVERLAY_TO_S = -5, 20
EARLY_NS = 5 * SECOND_NS  # a rider may start that much before the step and stop that much after it
SETTLE_NS = 40 * SECOND_NS  # read before a pulse, for the smoother to settle
LEAST_RISE_W = 50.0
LEAST_RISE = 0.3
# Further apart than this in time constant, smoothing moves the pulse work by more than 0.2 % (simulated sprints).
LIKE_SMOOTHING_S = 0.5
EFFORTS = frozenset({"steady", "over-under", "sprint", "sway"})
HELD = "the trainer was set to hold a power, so what it reads here is no measure of the sprint"


@dataclass(frozen=True)
class SprintTerms:
    """What is known of a meter beforehand. `slower_by_s`: time constant by which it smooths more than the reference
    (first-order low pass; negative: the reference smooths more; nan: unknown)."""

    tolerance_pct: float
    lag_s: float = 0.0
    slower_by_s: float = math.nan
    expectation: Expectation = field(default_factory=lambda: Expectation(1.0, 0.0))


@dataclass(frozen=True)
class Compared:
    """A figure of the meter and the same of the reference; nan where there is none."""

    meter: float
    reference: float
    difference_pct: float


@dataclass(frozen=True)
class SprintFigures:
    """`equal_` peaks: the faster of the two was smoothed like the slower. They are shown, never judged."""

    meter: str
    greatest_sample_w: Compared
    greatest_1s_w: Compared
    greatest_5s_w: Compared
    equal_1s_w: Compared
    equal_5s_w: Compared
    pulse_work_j: Compared
    why_not: str = ""  # no pulse work, and for this reason


@dataclass(frozen=True)
class Overlay:
    """Power (n,) of every meter, reference included, less its lag, as means over the quarter second from `time_s`."""

    time_s: Floats
    power_w: Mapping[str, Floats]


@dataclass(frozen=True)
class Sprint:
    """Time zero is the onset: the reference's first twentieth of a second half way up from before to its peak."""

    segment_no: int
    name: str
    onset_ns: int | None
    end_ns: int | None
    meters: Mapping[str, SprintFigures]
    overlay: Overlay | None
    why_not: str = ""

    def held_by(self, meter: str) -> bool:
        """Whether this meter was set to hold a power, or the reference was."""
        return HELD in (self.why_not, self.meters[meter].why_not if meter in self.meters else "")


@dataclass(frozen=True)
class SprintComparison:
    """All sprints of a ride; judged by their pulse work together."""

    reference: str
    sprints: tuple[Sprint, ...]
    judgements: Mapping[str, Judgement]
    why_not: str = ""


def compare_sprints(
    signals: Mapping[str, MeterSignal], segments: Sequence[Segment], reference: str, terms: Mapping[str, SprintTerms]
) -> SprintComparison:
    """Every segment of kind "sprint"; the meters compared are those in `terms` that sent any power."""
    base = signals.get(reference)
    if base is None or base.power is None:
        return SprintComparison(reference, (), {}, "the reference sent no power")
    known = {n: t for n, t in terms.items() if n in signals and signals[n].power is not None and n != reference}
    sprints = tuple(
        _sprint(s, segments, base, {n: (signals[n], t) for n, t in known.items()})
        for s in segments
        if s.step_kind == "sprint"
    )
    judgements = {name: _judged(name, term, sprints) for name, term in known.items()}
    return SprintComparison(reference, sprints, judgements, "" if sprints else "no sprint was ridden")


def sprint_bounds_ns(reference: MeterSignal, segment: Segment) -> tuple[int, int] | str:
    """Onset and end: first and last moment of the reference half way from what it read before to its peak.

    Words where no sprint is to be seen.
    """
    step_ns = SECOND_NS // FINE_HZ
    start_ns = segment.start_ns - EARLY_NS
    power = fresh_means(reference.power, start_ns, segment.stop_ns + EARLY_NS, step_ns)
    within = power[: max((segment.stop_ns - start_ns) // step_ns, 0)]
    if not np.isfinite(within).any():
        return "the reference sent nothing here"
    top = int(np.nanargmax(within))
    before = _known(fresh_means(reference.power, start_ns - EARLY_NS, start_ns, step_ns))
    rest = float(before.mean()) if before.size else 0.0
    rise = float(within[top]) - rest
    if rise < max(LEAST_RISE_W, LEAST_RISE * rest):
        return "no sprint is to be seen: the reference scarcely rises"
    up = power >= rest + rise / 2
    onset = int(np.argmax(up[: top + 1]))
    fallen = np.flatnonzero(power[top:] < rest + rise / 2)
    end = top + int(fallen[0]) if fallen.size else power.size
    return start_ns + onset * step_ns, start_ns + end * step_ns


def _sprint(
    segment: Segment,
    segments: Sequence[Segment],
    reference: MeterSignal,
    meters: Mapping[str, tuple[MeterSignal, SprintTerms]],
) -> Sprint:
    if _holds_power(segment, reference.name):
        return Sprint(segment.segment_no, segment.name, None, None, {}, None, HELD)
    bounds = sprint_bounds_ns(reference, segment)
    if isinstance(bounds, str):
        return Sprint(segment.segment_no, segment.name, None, None, {}, None, bounds)
    onset_ns, end_ns = bounds
    disturbed = _disturbed(segment, segments, onset_ns, end_ns)
    figures = {
        n: _no_figures(n) if _holds_power(segment, n) else _figures(signal, reference, onset_ns, end_ns, t, disturbed)
        for n, (signal, t) in meters.items()
    }
    lags = {reference.name: (reference, 0.0)} | {n: (signal, t.lag_s) for n, (signal, t) in meters.items()}
    time_s = np.arange(OVERLAY_FROM_S * OVERLAY_HZ, OVERLAY_TO_S * OVERLAY_HZ) / OVERLAY_HZ
    from_ns, to_ns = onset_ns + OVERLAY_FROM_S * SECOND_NS, onset_ns + OVERLAY_TO_S * SECOND_NS
    power = {
        name: fresh_means(signal.power, from_ns, to_ns, SECOND_NS // OVERLAY_HZ, lag_s)
        for name, (signal, lag_s) in lags.items()
    }
    return Sprint(segment.segment_no, segment.name, onset_ns, end_ns, figures, Overlay(time_s, power))


def _holds_power(segment: Segment, meter: str) -> bool:
    set_to = segment.resistance
    return set_to is not None and set_to.holds_power and set_to.trainer == meter


def _no_figures(meter: str) -> SprintFigures:
    nothing = _compared(math.nan, math.nan)
    return SprintFigures(meter, nothing, nothing, nothing, nothing, nothing, nothing, HELD)


def _disturbed(segment: Segment, segments: Sequence[Segment], onset_ns: int, end_ns: int) -> str:
    """Another effort within the pulse would leave some of its own work in it, and more of it in a quick meter."""
    start_ns, stop_ns = onset_ns - PULSE_BEFORE_NS, end_ns + PULSE_AFTER_NS
    for other in segments:
        effort = other.segment_no != segment.segment_no and other.step_kind in EFFORTS
        if effort and other.start_ns < stop_ns and other.stop_ns > start_ns:
            return f"another effort, segment {other.segment_no}, reaches into it"
    return ""


@dataclass(frozen=True)
class _Reading:
    """One meter's figures inside the pulse of one sprint, in the order of `SprintFigures`."""

    sample_w: float
    mean_1s_w: float
    mean_5s_w: float
    equal_1s_w: float
    equal_5s_w: float
    work_j: float


def _figures(
    meter: MeterSignal, reference: MeterSignal, onset_ns: int, end_ns: int, terms: SprintTerms, disturbed: str
) -> SprintFigures:
    late_ns = ns(terms.lag_s) if math.isfinite(terms.lag_s) else 0
    mine = _read(meter, onset_ns + late_ns, end_ns + late_ns, -terms.slower_by_s)
    base = _read(reference, onset_ns, end_ns, terms.slower_by_s)
    known = math.isfinite(mine.work_j) and math.isfinite(base.work_j)
    why_not = disturbed or ("" if known else "a gap in the data of one of the two")
    return SprintFigures(
        meter.name,
        _compared(mine.sample_w, base.sample_w),
        _compared(mine.mean_1s_w, base.mean_1s_w),
        _compared(mine.mean_5s_w, base.mean_5s_w),
        _compared(mine.equal_1s_w, base.equal_1s_w),
        _compared(mine.equal_5s_w, base.equal_5s_w),
        _compared(math.nan, math.nan) if why_not else _compared(mine.work_j, base.work_j),
        why_not,
    )


def _read(signal: MeterSignal, onset_ns: int, end_ns: int, smooth_s: float) -> _Reading:
    """`smooth_s` is the time constant that makes it like the other; none is needed below 0, none known at nan."""
    if signal.power is None:
        return _Reading(*[math.nan] * 6)
    start_ns, stop_ns, step_ns = onset_ns - PULSE_BEFORE_NS, end_ns + PULSE_AFTER_NS, SECOND_NS // FINE_HZ
    if len(signal.samples) == 1:
        series = signal.samples[0].power_w
        sample_w = greatest_sample_w(series.host_ns, series.values, start_ns, stop_ns)
    else:  # the sum of two radios is no sample of either
        sample_w = _greatest(fresh_means(signal.power, start_ns, stop_ns, step_ns), 1)
    around = fresh_means(signal.power, start_ns - SETTLE_NS, stop_ns, step_ns)
    smooth = exponentially_smoothed(around, smooth_s, 1 / FINE_HZ)[SETTLE_NS // step_ns :]
    return _Reading(
        sample_w,
        greatest_mean_w(signal.power, SECOND_NS, start_ns, stop_ns),
        greatest_mean_w(signal.power, 5 * SECOND_NS, start_ns, stop_ns),
        math.nan if math.isnan(smooth_s) else _greatest(smooth, FINE_HZ),
        math.nan if math.isnan(smooth_s) else _greatest(smooth, 5 * FINE_HZ),
        pulse_work_j(signal.power, onset_ns, end_ns),
    )


def _greatest(power_w: Floats, steps: int) -> float:
    if power_w.size < steps:
        return math.nan
    means = _known(np.lib.stride_tricks.sliding_window_view(power_w, steps).mean(axis=1))
    return float(means.max()) if means.size else math.nan


def _known(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _compared(meter: float, reference: float) -> Compared:
    return Compared(meter, reference, 100 * (meter / reference - 1) if reference > 0 else math.nan)


def _judged(name: str, terms: SprintTerms, sprints: Sequence[Sprint]) -> Judgement:
    works = [s.meters[name].pulse_work_j.difference_pct for s in sprints if name in s.meters]
    away = [terms.expectation.away_pct(w) for w in works if math.isfinite(w)]
    return judge_sprints(away, terms.tolerance_pct, unlike_smoothing=not abs(terms.slower_by_s) <= LIKE_SMOOTHING_S)
