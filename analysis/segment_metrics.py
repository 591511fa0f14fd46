"""The figures of every meter over one segment, and of its difference to the reference: live and offline call this."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.grid import HeldSignal
from analysis.meter_signal import MeterSignal
from analysis.power_figures import greatest_mean_w
from analysis.samples import Floats, Ints
from analysis.segments import Segment

SECOND_NS = 1_000_000_000


@dataclass(frozen=True)
class MeterFigures:
    """One meter over one segment; nan where it cannot be said.

    Means are over the time in which the meter's value was fresh, `coverage_pct` is the share of that time.
    A gap is a stretch without a fresh value. `rate_hz` counts notifications, understood or not.
    """

    meter: str
    mean_power_w: float
    greatest_1s_w: float
    mean_cadence_rpm: float
    coverage_pct: float
    gaps: int
    longest_gap_s: float
    rate_hz: float


@dataclass(frozen=True)
class Difference:
    """A meter minus the reference, over the grid seconds in which both were fresh throughout."""

    meter: str
    reference: str
    seconds: int
    mean_difference_w: float
    mean_difference_pct: float


@dataclass(frozen=True)
class SegmentMetrics:
    """`meters` holds every meter and sensor that sent anything; `differences` all but the reference."""

    segment: Segment
    meters: Mapping[str, MeterFigures]
    differences: Mapping[str, Difference]


def segment_metrics(signals: Mapping[str, MeterSignal], segment: Segment, reference: str | None) -> SegmentMetrics:
    """All figures of one segment, after its settling time."""
    meters = {name: _meter_figures(signal, segment) for name, signal in signals.items()}
    against = signals.get(reference) if reference is not None else None
    differences = {}
    if against is not None and against.power is not None:
        base_w = grid_power_w(against.power, segment)
        for name, signal in signals.items():
            if signal.power is not None and name != against.name:
                differences[name] = _difference(name, grid_power_w(signal.power, segment), against.name, base_w)
    return SegmentMetrics(segment, meters, differences)


def grid_power_w(power: HeldSignal, segment: Segment) -> Floats:
    """Means (n,) over the whole seconds of the judged part; nan for a second that is not fresh throughout."""
    edges = segment.judged_from_ns + SECOND_NS * np.arange(int(segment.judged_s) + 1, dtype=np.int64)
    held = power.between(edges)
    return np.where(held.fresh_ns == SECOND_NS, held.value_ns / SECOND_NS, np.nan)


def _meter_figures(signal: MeterSignal, segment: Segment) -> MeterFigures:
    start_ns, stop_ns = segment.judged_from_ns, segment.stop_ns
    measured = signal.power or signal.cadence
    gaps_ns = _gaps_ns(measured, start_ns, stop_ns)
    length_ns = stop_ns - start_ns
    arrived = np.searchsorted(signal.arrivals_ns, [start_ns, stop_ns])
    return MeterFigures(
        meter=signal.name,
        mean_power_w=_mean(signal.power, start_ns, stop_ns),
        greatest_1s_w=greatest_mean_w(signal.power, SECOND_NS, start_ns, stop_ns) if signal.power else math.nan,
        mean_cadence_rpm=_mean(signal.cadence, start_ns, stop_ns),
        coverage_pct=100 * (1 - float(gaps_ns.sum()) / length_ns) if length_ns > 0 else 0.0,
        gaps=len(gaps_ns),
        longest_gap_s=float(gaps_ns.max()) / 1e9 if len(gaps_ns) else 0.0,
        rate_hz=float(arrived[1] - arrived[0]) * 1e9 / length_ns if length_ns > 0 else math.nan,
    )


def _mean(held: HeldSignal | None, start_ns: int, stop_ns: int) -> float:
    if held is None:
        return math.nan
    part = held.between([start_ns, stop_ns])
    return float(part.value_ns[0] / part.fresh_ns[0]) if part.fresh_ns[0] > 0 else math.nan


def _gaps_ns(held: HeldSignal | None, start_ns: int, stop_ns: int) -> Ints:
    """Lengths of the stretches of [start_ns, stop_ns) in which nothing is held."""
    if held is None:
        return np.array([max(stop_ns - start_ns, 0)], np.int64)
    begins = np.concatenate(([start_ns], np.clip(held.stop_ns, start_ns, stop_ns)))
    ends = np.concatenate((np.clip(held.start_ns, start_ns, stop_ns), [stop_ns]))
    # A sample that holds nothing (nan) neither opens nor closes a gap: what it left open stays open.
    lengths = ends - np.maximum.accumulate(begins)
    return _joined(lengths, held)


def _joined(lengths: Ints, held: HeldSignal) -> Ints:
    """Neighbouring gaps with no held time between them are one gap."""
    holds = held.stop_ns > held.start_ns
    group = np.concatenate(([0], np.cumsum(holds)))
    joined = np.zeros(int(group[-1]) + 1, np.int64)
    np.add.at(joined, group, np.maximum(lengths, 0))
    return joined[joined > 0]


def _difference(meter: str, power_w: Floats, reference: str, base_w: Floats) -> Difference:
    both = np.isfinite(power_w) & np.isfinite(base_w)
    seconds = int(both.sum())
    if not seconds:
        return Difference(meter, reference, 0, math.nan, math.nan)
    base = float(base_w[both].mean())
    difference = float(power_w[both].mean()) - base
    percent = 100 * difference / base if base > 0 else math.nan
    return Difference(meter, reference, seconds, difference, percent)
