"""One verdict per meter over the whole ride: which segments count, how they are pooled, and the line through all."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.bench_file import Meter
from analysis.comparison import APART, Pair, Setup
from analysis.meter_signal import MeterSignal
from analysis.paired_seconds import paired_seconds
from analysis.segment_metrics import SegmentMetrics, measured_left_share_pct
from analysis.straight_line import Line, NoLine, deming
from analysis.tolerance import Expectation, Tolerance
from analysis.verdict import Judgement, judge_segments


@dataclass(frozen=True)
class RideVerdict:
    """`judgement` pools the segments in `counted`: the steady ones, or all but sprints where none is called steady.

    `expected_pct` is what the chain explains of the difference, `expected_sd_pct` its doubt. `line` is the
    errors-in-variables line (Deming) of this meter's seconds on the reference's; None where there is none.
    `doubling_pct`: what a one-sided meter reads off by doubling, by the share that another one measured, else nan.
    `slow_wander_seen`: the ride was long enough for its intervals to know of it.
    """

    meter: str
    reference: str
    judgement: Judgement
    difference_pct: float
    expected_pct: float
    expected_sd_pct: float
    expectation: Expectation
    tolerance: Tolerance | None
    claim_assumed: bool
    slow_wander_seen: bool
    doubling_pct: float
    counted: tuple[str, ...]
    line: Line | None


def ride_verdicts(
    signals: Mapping[str, MeterSignal], results: Sequence[SegmentMetrics], setup: Setup
) -> dict[str, RideVerdict]:
    """Every meter but the reference; each verdict by itself errs in at most 2.5 % per side."""
    counted = counted_segments(results)
    names = dict.fromkeys(name for r in results for name in r.comparisons)
    return {name: _verdict(name, signals, counted, results, setup) for name in names}


def counted_segments(results: Sequence[SegmentMetrics]) -> list[SegmentMetrics]:
    steady = [r for r in results if r.segment.step_kind == "steady"]
    return steady or [r for r in results if r.segment.step_kind not in APART]


def _verdict(
    name: str,
    signals: Mapping[str, MeterSignal],
    counted: Sequence[SegmentMetrics],
    results: Sequence[SegmentMetrics],
    setup: Setup,
) -> RideVerdict:
    compared = [r.comparisons[name] for r in counted if r.comparisons[name].seconds]
    base = signals[str(setup.reference)]
    meter = signals[name].about
    reference_w = float(np.mean([c.reference_w for c in compared])) if compared else math.nan
    torque_nm = _mean_torque_nm(base.name, counted)
    pair = Pair(meter, base.about, torque_nm, setup)
    tolerance = pair.tolerance(reference_w)
    judgement = judge_segments([c.away_pct for c in compared], math.nan if tolerance is None else tolerance.pct)
    told = [c for c in compared if not c.away_pct.too_short] or compared
    return RideVerdict(
        meter=name,
        reference=base.name,
        judgement=judgement,
        difference_pct=_mean([c.difference_pct.mean for c in told]),
        expected_pct=_mean([100 * (c.expectation.ratio - 1) for c in told]),
        expected_sd_pct=_mean([c.expectation.loss_sd_pct for c in told]),
        expectation=pair.expectation(),
        tolerance=tolerance,
        claim_assumed=_assumed(meter) or _assumed(base.about),
        doubling_pct=_doubling_pct(meter, counted),
        slow_wander_seen=all(c.difference_pct.method != "own" for c in compared),
        counted=tuple(r.segment.name for r in counted if r.comparisons[name].seconds),
        line=_line(signals, name, results, setup),
    )


def _doubling_pct(meter: Meter | None, counted: Sequence[SegmentMetrics]) -> float:
    """2·share − 1 of the side that is doubled (arithmetic)."""
    if meter is None or meter.sides not in ("left", "right"):
        return math.nan
    left_pct = _mean([share for r in counted if (share := measured_left_share_pct(r)) > 0])
    return 2 * (left_pct if meter.sides == "left" else 100 - left_pct) - 100


def _assumed(meter: Meter | None) -> bool:
    return meter is None or meter.claim_pct is None


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if values else math.nan


def _mean_torque_nm(reference: str, counted: Sequence[SegmentMetrics]) -> float:
    return _mean([t for r in counted if math.isfinite(t := r.meters[reference].mean_torque_nm)])


def _line(
    signals: Mapping[str, MeterSignal], name: str, results: Sequence[SegmentMetrics], setup: Setup
) -> Line | None:
    """Through the seconds that are compared. Sprints stay out: unlike smoothing there bends any line."""
    usual = [r.segment for r in results if r.segment.step_kind not in APART]
    if not usual:
        return None
    lag_s = setup.lags_s.get(name, 0.0)
    pairs = [paired_seconds(signals, name, str(setup.reference), s, lag_s) for s in usual]
    x = np.concatenate([p.reference_w for p in pairs])
    y = np.concatenate([p.meter_w for p in pairs])
    try:
        return deming(x, y)
    except NoLine:
        return None
