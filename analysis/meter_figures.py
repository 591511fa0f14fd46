"""The figures of one meter over one segment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.fresh_means import SECOND_NS, fresh_means
from analysis.grid import HeldSignal
from analysis.meter_signal import MeterSignal
from analysis.power_figures import (
    greatest_mean_w,
    greatest_sample_w,
    left_and_right_w,
    quartic_mean_w,
    silence_at_rest_as_zero,
    work_j,
)
from analysis.samples import Floats, Ints
from analysis.segments import Segment
from analysis.untimed import joined

Split = Literal["measured", "inferred", "doubled", "not stated", "none"]
_SPLIT: dict[str | None, Split] = {
    "both": "measured",
    "inferred": "inferred",
    "left": "doubled",
    "right": "doubled",
    "total": "none",
    None: "not stated",
}


@dataclass(frozen=True)
class MeterFigures:
    """nan where it cannot be said.

    Means are over the time in which the meter's value was fresh; `coverage_pct` is the share of that time, a gap a
    stretch without. `mean_with_rest_w` counts silence at zero cadence as 0 W. The mean cadence is over the time in
    which the rider pedals, turns by the sensor's own clock where it counts them; `mean_cadence_with_rest_rpm` is over
    rests as well. The quartic mean takes whole 30 s
    windows only, so the first 29 s of a segment give none. Torque is work over crank angle. `left_w` and `right_w`
    are as the meter splits them, `split` says how it does, and only where `balance_reference` is "left" did the meter
    say whose share it sends. `untimed_s`: part of the gaps in which an arrival does not tell when something was
    measured, since the computer stood still or the radio held packets up. `rate_hz` counts notifications, understood
    or not.
    """

    meter: str
    mean_power_w: float
    mean_with_rest_w: float
    work_kj: float
    greatest_sample_w: float
    greatest_1s_w: float
    greatest_5s_w: float
    greatest_30s_w: float
    quartic_mean_w: float
    mean_cadence_rpm: float
    mean_cadence_with_rest_rpm: float
    mean_torque_nm: float
    left_share_pct: float
    left_w: float
    right_w: float
    split: Split
    balance_reference: str | None
    coverage_pct: float
    gaps: int
    longest_gap_s: float
    untimed_s: float
    rate_hz: float


def meter_figures(signal: MeterSignal, segment: Segment) -> MeterFigures:
    """All of them, after the settling time."""
    start_ns, stop_ns = segment.judged_from_ns, segment.stop_ns
    power_w, cadence_rpm = grid(signal.power, segment), grid(signal.cadence, segment)
    gaps_ns = _gaps_ns(signal.power or signal.cadence, start_ns, stop_ns)
    length_ns = stop_ns - start_ns
    arrived = np.searchsorted(signal.arrivals_ns, [start_ns, stop_ns])
    left_w, right_w = _sides(signal, segment, power_w)
    return MeterFigures(
        meter=signal.name,
        mean_power_w=_mean(signal.power, start_ns, stop_ns),
        mean_with_rest_w=mean_of(silence_at_rest_as_zero(power_w, cadence_rpm)),
        work_kj=work_j(signal.power, start_ns, stop_ns) / 1000 if signal.power else math.nan,
        greatest_sample_w=_greatest_sample(signal, start_ns, stop_ns),
        greatest_1s_w=_greatest(signal.power, 1, start_ns, stop_ns),
        greatest_5s_w=_greatest(signal.power, 5, start_ns, stop_ns),
        greatest_30s_w=_greatest(signal.power, 30, start_ns, stop_ns),
        quartic_mean_w=quartic_mean_w(power_w),
        mean_cadence_rpm=_mean(signal.pedalled, start_ns, stop_ns),
        mean_cadence_with_rest_rpm=_mean(signal.turned_and_rested, start_ns, stop_ns),
        mean_torque_nm=mean_torque_nm(power_w, cadence_rpm),
        left_share_pct=100 * left_w / (left_w + right_w) if left_w + right_w > 0 else math.nan,
        left_w=left_w,
        right_w=right_w,
        split="none" if signal.about is None else _SPLIT[signal.about.sides],
        balance_reference=signal.samples[0].balance_reference if len(signal.samples) == 1 else None,
        coverage_pct=100 * (1 - float(gaps_ns.sum()) / length_ns) if length_ns > 0 else 0.0,
        gaps=len(gaps_ns),
        longest_gap_s=float(gaps_ns.max()) / 1e9 if len(gaps_ns) else 0.0,
        untimed_s=_untimed_s(signal, start_ns, stop_ns),
        rate_hz=float(arrived[1] - arrived[0]) * 1e9 / length_ns if length_ns > 0 else math.nan,
    )


def grid(held: HeldSignal | None, segment: Segment, lag_s: float = 0.0) -> Floats:
    """Means (n,) over the whole seconds of the judged part; nan for a second that is not fresh throughout.

    A meter that trails by `lag_s` is read that much later, so that all answer to the same effort.
    """
    return fresh_means(held, segment.judged_from_ns, segment.stop_ns, SECOND_NS, lag_s)


def mean_of(values: Floats) -> float:
    """Over what is there; nan where nothing is."""
    present = values[np.isfinite(values)]
    return float(present.mean()) if present.size else math.nan


def _mean(held: HeldSignal | None, start_ns: int, stop_ns: int) -> float:
    if held is None:
        return math.nan
    part = held.between([start_ns, stop_ns])
    return float(part.value_ns[0] / part.fresh_ns[0]) if part.fresh_ns[0] > 0 else math.nan


def _greatest(held: HeldSignal | None, seconds: int, start_ns: int, stop_ns: int) -> float:
    return greatest_mean_w(held, seconds * SECOND_NS, start_ns, stop_ns) if held else math.nan


def _greatest_sample(signal: MeterSignal, start_ns: int, stop_ns: int) -> float:
    if len(signal.samples) != 1:
        return math.nan  # the sum of two radios has no samples of its own
    power = signal.samples[0].power_w
    return greatest_sample_w(power.host_ns, power.values, start_ns, stop_ns)


def mean_torque_nm(power_w: Floats, cadence_rpm: Floats) -> float:
    """Work over crank angle, on the grid seconds (n,) in which both are known; nan where nothing turned."""
    both = np.isfinite(power_w) & np.isfinite(cadence_rpm)
    angle = float(cadence_rpm[both].sum()) * math.pi / 30
    return float(power_w[both].sum()) / angle if angle > 0 else math.nan


def _sides(signal: MeterSignal, segment: Segment, power_w: Floats) -> tuple[float, float]:
    """Mean watts of left and right over the seconds with power and balance; a doubling meter sends none."""
    left_w, right_w = left_and_right_w(power_w, grid(signal.balance, segment))
    return mean_of(left_w), mean_of(right_w)


def _untimed_s(signal: MeterSignal, start_ns: int, stop_ns: int) -> float:
    spans = joined([(start, stop) for s in signal.samples for start, stop in s.untimed_ns.tolist()])
    return float(np.maximum(np.diff(np.clip(spans, start_ns, stop_ns)), 0).sum()) / 1e9


def _gaps_ns(held: HeldSignal | None, start_ns: int, stop_ns: int) -> Ints:
    """Lengths of the stretches of [start_ns, stop_ns) in which nothing is held."""
    if held is None:
        return np.array([stop_ns - start_ns], np.int64) if stop_ns > start_ns else np.empty(0, np.int64)
    first, beyond = np.searchsorted(held.start_ns, [start_ns, stop_ns])
    near = slice(max(int(first) - 1, 0), int(beyond))  # one before: it may hold into the stretch
    from_ns, until_ns = held.start_ns[near], held.stop_ns[near]
    begins = np.concatenate(([start_ns], np.clip(until_ns, start_ns, stop_ns)))
    ends = np.concatenate((np.clip(from_ns, start_ns, stop_ns), [stop_ns]))
    lengths = ends - np.maximum.accumulate(begins)
    # Neighbouring gaps with no held time between them (a sample that holds nothing) are one gap.
    group = np.concatenate(([0], np.cumsum(until_ns > from_ns)))
    joined = np.zeros(int(group[-1]) + 1, np.int64)
    np.add.at(joined, group, np.maximum(lengths, 0))
    return joined[joined > 0]
