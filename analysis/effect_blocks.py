"""Knows how to cut a ride into blocks of pedalling, each with a difference and the conditions it was ridden in."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.effects import CADENCE, DRIFT, SIDE_TO_SIDE, STANDING, TEMPERATURE, TORQUE, Effects, Predictor, effects
from analysis.fresh_means import SECOND_NS, exponentially_smoothed, fresh_means
from analysis.grid import HeldSignal
from analysis.meter_signal import MeterSignal
from analysis.power_figures import pedalling_seconds, torque_nm
from analysis.samples import Floats, Ints, Series, empty_series
from analysis.segments import Segment

FINE_HZ = 10
BLOCK_S = 30
LEAST_FILLED = 0.5  # of a block
# Six hours of pedalling. What is computed from blocks takes the square of their number in memory, the cube in time.
MOST_BLOCKS = 720
# A sprint's seconds differ by smoothing and lag, which are no effect of its torque.
LEFT_OUT = frozenset({"sprint", "zero"})


@dataclass(frozen=True)
class EffectBlocks:
    """One element per block: difference in % of the reference, mid-time, and each condition (nan: unknown)."""

    difference_pct: Floats
    at_s: Floats
    conditions: Mapping[Predictor, Floats]


def ride_effects(
    meter: MeterSignal,
    reference: MeterSignal,
    segments: Iterable[Segment],
    lag_s: float = 0.0,
    slower_by_s: float = 0.0,
    thermometer: MeterSignal | None = None,
    zeroed_ns: Sequence[int] = (),
) -> Effects:
    """All effects on one meter over a ride.

    It trails the reference by `lag_s` and smooths more by the time constant `slower_by_s` (negative: less). nan is
    taken as 0 in both. Unequal smoothing left alone looks like scatter, and in over-unders like an effect of torque.
    """
    blocks = effect_blocks(meter, reference, segments, lag_s, slower_by_s, thermometer, zeroed_ns)
    return effects(blocks.difference_pct, blocks.at_s, blocks.conditions)


def effect_blocks(
    meter: MeterSignal,
    reference: MeterSignal,
    segments: Iterable[Segment],
    lag_s: float = 0.0,
    slower_by_s: float = 0.0,
    thermometer: MeterSignal | None = None,
    zeroed_ns: Sequence[int] = (),
) -> EffectBlocks:
    """Blocks of 30 s of each segment, of the seconds fresh in both and pedalled, where these fill half of it.

    Of more than `MOST_BLOCKS`, every second, third, ... is taken. Where segments overlap, a second counts once, in
    the one that began first. Cadence is the reference's, else the meter's. Temperature is the meter's own, else the
    thermometer's.
    """
    rows: list[list[float]] = []
    covered_ns = 0
    for segment in sorted(segments, key=lambda s: s.start_ns):
        if segment.step_kind not in LEFT_OUT:
            start_ns = max(segment.judged_from_ns, covered_ns)
            rows += _segment_rows(meter, reference, segment, start_ns, lag_s, slower_by_s)
            covered_ns = max(covered_ns, segment.stop_ns)
    table = np.array(rows, dtype=np.float64).reshape(-1, 6)[:: -(-len(rows) // MOST_BLOCKS) or 1]
    mid_s, power_w, cadence_rpm = table[:, 0], table[:, 2], table[:, 3]
    mid_ns = np.rint(mid_s * 1e9).astype(np.int64)
    conditions = {
        TORQUE: torque_nm(power_w, cadence_rpm),
        CADENCE: cadence_rpm,
        DRIFT: _hours_since(mid_ns, zeroed_ns),
        TEMPERATURE: _temperature(meter, thermometer).at(mid_ns),
        STANDING: table[:, 4],
        SIDE_TO_SIDE: table[:, 5],
    }
    return EffectBlocks(table[:, 1], mid_s, conditions)


def _segment_rows(
    meter: MeterSignal, reference: MeterSignal, segment: Segment, start_ns: int, lag_s: float, slower_by_s: float
) -> list[list[float]]:
    """Per block: mid-time, difference, reference's power, cadence, whether standing, whether side to side."""
    stop_ns = segment.stop_ns
    read = _smoothed_seconds(meter.power, start_ns, stop_ns, -slower_by_s, lag_s)
    base = _smoothed_seconds(reference.power, start_ns, stop_ns, slower_by_s)
    turner, turner_lag_s = (reference, 0.0) if reference.cadence is not None else (meter, lag_s)
    cadence = fresh_means(turner.cadence, start_ns, stop_ns, lag_s=turner_lag_s)
    use = np.isfinite(read) & np.isfinite(base) & pedalling_seconds(cadence)
    posture = [float(segment.posture == "standing"), float(segment.posture == "side-to-side")]
    rows = []
    for first in range(0, base.size, BLOCK_S):
        inside = np.flatnonzero(use[first : first + BLOCK_S])
        if inside.size < LEAST_FILLED * BLOCK_S:
            continue
        seconds = first + inside
        reference_w = _mean(base[seconds])
        if reference_w > 0:
            mid_s = start_ns / SECOND_NS + first + _mean(inside) + 0.5
            difference = 100 * (_mean(read[seconds]) / reference_w - 1)
            rows.append([mid_s, difference, reference_w, _mean(cadence[seconds]), *posture])
    return rows


def _mean(values: Floats | Ints) -> float:
    """`values.mean()` to the last bit, at a third of its cost where they are few."""
    return float(np.add.reduce(values)) / values.size


def _smoothed_seconds(
    power: HeldSignal | None, start_ns: int, stop_ns: int, time_constant_s: float, lag_s: float = 0.0
) -> Floats:
    """Means (n,) over the whole seconds, after a first-order low pass where the time constant is above 0."""
    if not time_constant_s > 0:
        return fresh_means(power, start_ns, stop_ns, lag_s=lag_s)
    settle_s = math.ceil(8 * time_constant_s)
    fine = fresh_means(power, start_ns - settle_s * SECOND_NS, stop_ns, SECOND_NS // FINE_HZ, lag_s)
    smooth = exponentially_smoothed(fine, time_constant_s, 1 / FINE_HZ)[settle_s * FINE_HZ :]
    seconds = smooth.size // FINE_HZ
    return np.asarray(smooth[: seconds * FINE_HZ].reshape(seconds, FINE_HZ).mean(axis=1))


def _hours_since(at_ns: Ints, zeroed_ns: Sequence[int]) -> Floats:
    """Since the last zeroing, or since the start of the recording where there was none yet."""
    starts = np.concatenate(([0], np.sort(np.asarray(zeroed_ns, np.int64))))
    return np.asarray((at_ns - starts[np.maximum(np.searchsorted(starts, at_ns, "right") - 1, 0)]) / 3.6e12)


def _temperature(meter: MeterSignal, thermometer: MeterSignal | None) -> Series:
    streams = [*meter.samples, *(thermometer.samples if thermometer is not None else ())]
    return next((s.temperature_c for s in streams if len(s.temperature_c)), empty_series())
