"""One meter against the reference: over each segment, and what that amounts to over the ride."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.agreement_limits import Limits, limits_of_agreement, rms, share_within_pct
from analysis.bench_file import Bench, Meter
from analysis.confidence_sequence import live_interval
from analysis.mean_interval import (
    MeanInterval,
    newey_west_interval,
    prewhitened_interval,
    ratio_series,
    ride_intervals,
    student_t,
)
from analysis.meter_figures import grid, mean_of, mean_torque_nm
from analysis.meter_signal import MeterSignal, shared_cadence
from analysis.power_figures import pedalling_seconds
from analysis.samples import Floats
from analysis.segments import Segment
from analysis.tolerance import (
    ChainLoss,
    Expectation,
    Tolerance,
    en_number,
    expected,
    joint_tolerance,
    root_sum_square,
    worst_case,
)
from analysis.verdict import Word, judge_segment, seconds_to_decide

# Where a bench file states no claim. Common practice, no published source: most makers claim 1 to 2 %.
ASSUMED_CLAIM_PCT = 2.0
# Sprints are pooled by pulse work, and nobody pedals while zeroing: neither belongs among the steady differences.
APART = frozenset({"sprint", "zero"})


@dataclass(frozen=True)
class Setup:
    """What is taken as known when meters are compared. `lags_s`: by how much each trails the reference."""

    reference: str | None
    chain: ChainLoss = field(default_factory=ChainLoss)
    floor_w: float = 2.0
    worst_case: bool = False
    lags_s: Mapping[str, float] = field(default_factory=dict)


def setup_of(bench: Bench, reference: str | None = None) -> Setup:
    """As the bench file says; lags are not known yet."""
    train = bench.drivetrain
    chosen = bench.reference
    return Setup(
        reference or (chosen.name if chosen is not None else None),
        ChainLoss(train.loss_pct, train.loss_sd_pct, train.drag_nm, train.drag_sd_nm),
        bench.bench.floor_w,
    )


@dataclass(frozen=True)
class Comparison:
    """A meter minus the reference over one segment, on the seconds in which both were fresh and the rider pedalled.

    `difference_pct` is the ratio of the two sums less one, with its 95 % interval; `away_pct` the same less what the
    chain explains, in % of the expected reading: it is what the verdict compares with the tolerance.
    `newey_west_pct` is a half-width for comparison with other programs only; it is too narrow on short segments.
    """

    meter: str
    reference: str
    seconds: int
    reference_w: float
    mean_difference_w: float
    difference_pct: MeanInterval
    newey_west_pct: float
    limits_w: Limits | None
    rms_w: float
    share_within_pct: float
    expectation: Expectation
    away_pct: MeanInterval
    tolerance: Tolerance | None
    word: Word
    en: float
    seconds_to_decide: float

    @property
    def half_width_w(self) -> float:
        return self.difference_pct.half_width * self.reference_w / 100


def compare(
    signals: Mapping[str, MeterSignal], segments: Sequence[Segment], setup: Setup
) -> list[dict[str, Comparison]]:
    """For each segment, every meter but the reference; empty where there is nothing to compare against."""
    base = signals.get(setup.reference) if setup.reference is not None else None
    found: list[dict[str, Comparison]] = [{} for _ in segments]
    if base is None or base.power is None:
        return found
    cadence = shared_cadence(signals, base.name)
    masks = [_pedalling(grid(cadence, s)) if cadence is not None else None for s in segments]
    bases = [_where(grid(base.power, s), mask) for s, mask in zip(segments, masks, strict=True)]
    torque = [mean_torque_nm(b, grid(cadence, s)) for s, b in zip(segments, bases, strict=True)]
    for name, signal in signals.items():
        if signal.power is None or name == base.name:
            continue
        lag_s = setup.lags_s.get(name, 0.0)
        powers = [_where(grid(signal.power, s, lag_s), mask) for s, mask in zip(segments, masks, strict=True)]
        for number, interval in enumerate(_intervals(powers, bases, segments)):
            pair = Pair(signal.about, base.about, torque[number], setup)
            found[number][name] = _comparison(name, base.name, powers[number], bases[number], interval, pair)
    return found


@dataclass(frozen=True)
class Pair:
    """Two meters at the mean torque they were compared at: what is expected of them, and what is allowed."""

    meter: Meter | None
    base: Meter | None
    torque_nm: float
    setup: Setup

    def expectation(self) -> Expectation:
        if self.meter is None or self.base is None:
            return Expectation(1.0, 0.0)
        if self.setup.chain.drag_nm and not self.torque_nm > 0:
            return expected(
                self.meter.place, self.base.place, replace(self.setup.chain, drag_nm=0, drag_sd_nm=0), 1.0
            )
        return expected(self.meter.place, self.base.place, self.setup.chain, self.torque_nm)

    def tolerance(self, reference_w: float) -> Tolerance | None:
        """None where the reference reads nothing."""
        if not reference_w > 0:
            return None
        return joint_tolerance(
            _claim_pct(self.meter),
            _claim_pct(self.base),
            self.expectation().loss_sd_pct,
            reference_w,
            self.setup.floor_w,
            worst_case if self.setup.worst_case else root_sum_square,
        )


def _claim_pct(meter: Meter | None) -> float:
    return ASSUMED_CLAIM_PCT if meter is None or meter.claim_pct is None else meter.claim_pct


def _intervals(powers: Sequence[Floats], bases: Sequence[Floats], segments: Sequence[Segment]) -> list[MeanInterval]:
    """What the ride tells of slow wander is learnt from all segments but those that stand apart."""
    series = [ratio_series(a, b) for a, b in zip(powers, bases, strict=True)]
    usual = [number for number, s in enumerate(segments) if s.step_kind not in APART]
    learnt = dict(zip(usual, ride_intervals([series[number] for number in usual]), strict=True))
    alone = [prewhitened_interval(s.residual_pct + s.difference_pct) for s in series]
    intervals = [learnt.get(number, alone[number]) for number in range(len(series))]
    # Who stopped when it looked decided must answer with the interval that allows for looking.
    return [_always_valid(i) if s.ended_by == "decided" else i for i, s in zip(intervals, segments, strict=True)]


def _always_valid(interval: MeanInterval) -> MeanInterval:
    """The variance is widened with it, so that a pooled verdict counts the looking as well."""
    half_width = live_interval(interval).half_width_pct
    variance = interval.n * (half_width / student_t(0.975, math.inf)) ** 2
    return replace(interval, half_width=half_width, long_run_variance=variance, method="always-valid")


def _comparison(
    meter: str, reference: str, power_w: Floats, base_w: Floats, interval: MeanInterval, pair: Pair
) -> Comparison:
    both = np.isfinite(power_w) & np.isfinite(base_w)
    difference_w = power_w[both] - base_w[both]
    reference_w = mean_of(base_w[both])
    expectation = pair.expectation()
    away = expectation.away_interval(interval)
    tolerance = pair.tolerance(reference_w)
    allowed_pct = math.nan if tolerance is None else tolerance.pct
    off_w = power_w[both] - expectation.ratio * base_w[both]
    too_few = difference_w.size < 2
    return Comparison(
        meter=meter,
        reference=reference,
        seconds=int(both.sum()),
        reference_w=reference_w,
        mean_difference_w=mean_of(difference_w),
        difference_pct=interval,
        newey_west_pct=math.nan
        if too_few
        else newey_west_interval(ratio_series(power_w, base_w).residual_pct).half_width,
        limits_w=None if too_few else limits_of_agreement(difference_w, interval.n_eff),
        rms_w=rms(difference_w),
        share_within_pct=math.nan if tolerance is None else share_within_pct(off_w, allowed_pct / 100 * base_w[both]),
        expectation=expectation,
        away_pct=away,
        tolerance=tolerance,
        word="undecided" if tolerance is None else judge_segment(away, allowed_pct),
        en=math.nan if tolerance is None else en_number(away.mean, away.half_width, allowed_pct),
        seconds_to_decide=math.inf
        if tolerance is None
        else seconds_to_decide(away.mean, away.half_width, allowed_pct, float(away.n)),
    )


def _pedalling(cadence_rpm: Floats) -> Floats:
    return np.where(pedalling_seconds(cadence_rpm), 1.0, np.nan)


def _where(power_w: Floats, mask: Floats | None) -> Floats:
    return power_w if mask is None else power_w * mask
