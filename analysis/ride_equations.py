"""Knows the linear equations of an adjustment: how the readings of one ride depend on the errors of its meters."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.adjustment_prior import ClaimPrior
from analysis.bench_model import REFERENCE_TORQUE_NM, MountedMeter, RideObservations, SegmentReadings
from analysis.samples import Floats

# What one meter's mean strays from segment to segment beyond its noise. Assumed, not measured (0.25 %), and held
# with the weight of 8 degrees of freedom against what the ride's own segments show.
BETWEEN_SEGMENTS_PCT = 0.25
BETWEEN_SEGMENTS_FREEDOM = 8.0
LEAST_BETWEEN_PCT = 0.05
# A one-sided meter doubled reads 2·share − 1 off (arithmetic). Where nobody measures the share, riders' sides differ
# by some per cent: 1.5 % of share is 3 % of the reading. Where somebody does, half a per cent of share is doubted.
# Both common practice, no published source.
DOUBLING_UNKNOWN_SD_PCT = 3.0
DOUBLING_MEASURED_SD_PCT = 1.0
# Torques closer together than this give no line, only a mean.
LEAST_TORQUE_RANGE_NM = 2.0


@dataclass(frozen=True)
class RideEquations:
    """y = scales·s + chain·c + own·z + noise, everything in per cent of log ratios; c and z have unit normal priors.

    `y` (m,): 100·ln(reading / reference) less what the chain explains. `scales` (m, n): one column per meter, in the
    order of `ride.meters`. `chain` (m, 2): loss and drag. `own` (m, n): the zero offsets of this ride.
    `noise` (m, m): covariance; readings of one segment share the reference's. Scale errors are exact in logarithms,
    offsets to first order: 2 % of the torque are 0.02 % off.
    """

    ride: RideObservations
    y: Floats
    scales: Floats
    chain: Floats
    own: Floats
    noise: Floats


def ride_equations(ride: RideObservations) -> RideEquations:
    rows = [(s, m) for s in ride.segments for m in ride.meters if m.name in s.readings]
    column = {m.name: number for number, m in enumerate(ride.meters)}
    base = ride.meters[column[ride.reference]]
    scales, own = np.zeros((len(rows), len(column))), np.zeros((len(rows), len(column)))
    chain, y = np.zeros((len(rows), 2)), np.zeros(len(rows))
    loss_sd = ride.chain.loss_sd_pct / (1 - ride.chain.loss_pct / 100)
    for number, (segment, meter) in enumerate(rows):
        per_nm = 100 / torque_nm(segment)
        for sign, whose in ((1, meter), (-1, base)):
            at = column[whose.name]
            scales[number, at] += sign
            own[number, at] += sign * per_nm * ClaimPrior(whose.claim_pct).offset_sd_nm
        across = int(meter.behind_chain) - int(base.behind_chain)
        chain[number] = -across * loss_sd, -across * per_nm * ride.chain.drag_sd_nm
        explained = across * _passed(ride, segment) + _doubled_pct(meter, segment) - _doubled_pct(base, segment)
        y[number] = _log_pct(segment.readings[meter.name].difference_pct) - explained
    return RideEquations(ride, y, scales, chain, own, _noise(ride, rows))


def torque_nm(segment: SegmentReadings) -> float:
    """Without a torque of its own a segment says nothing of zero offsets: all of its kind stand at the same."""
    return segment.torque_nm if segment.torque_nm > 0 else REFERENCE_TORQUE_NM


def between_segments_variance(ride: RideObservations) -> float:
    """Variance by which one meter strays between segments, %², from the scatter about each comparison's own line.

    The residuals' sum of squares exceeds what the readings' variances explain by 2·variance per degree of freedom,
    two meters straying in each comparison.
    """
    excess, freedom = 0.0, 0.0
    meters = {m.name: m for m in ride.meters}
    for name in {name for s in ride.segments for name in s.readings}:
        told = [s for s in ride.segments if name in s.readings]
        per_nm = np.array([100 / torque_nm(s) for s in told])
        straight = np.ptp([torque_nm(s) for s in told]) >= LEAST_TORQUE_RANGE_NM
        design = np.column_stack([np.ones(len(told)), per_nm] if straight else [np.ones(len(told))])
        if len(told) <= design.shape[1]:
            continue
        doubled = [_doubled_pct(meters[name], s) - _doubled_pct(meters[ride.reference], s) for s in told]
        y = np.array([_log_pct(s.readings[name].difference_pct) for s in told]) - doubled
        remains = np.eye(len(told)) - design @ np.linalg.pinv(design)
        variance = np.array([s.readings[name].variance_pct2 for s in told])
        excess += float(np.sum((remains @ y) ** 2) - np.sum(variance * np.diag(remains))) / 2
        freedom += len(told) - design.shape[1]
    assumed = BETWEEN_SEGMENTS_FREEDOM * BETWEEN_SEGMENTS_PCT**2
    return max((assumed + excess) / (BETWEEN_SEGMENTS_FREEDOM + freedom), LEAST_BETWEEN_PCT**2)


def _noise(ride: RideObservations, rows: list[tuple[SegmentReadings, MountedMeter]]) -> Floats:
    """Of a comparison's variance only the sum over both meters is known; half the least goes to the reference."""
    between = between_segments_variance(ride)
    noise = np.zeros((len(rows), len(rows)))
    first = 0
    for segment in ride.segments:
        variance = np.array([segment.readings[m.name].variance_pct2 for s, m in rows if s is segment])
        if variance.size == 0:
            continue
        shared = variance.min() / 2
        part = slice(first, first + variance.size)
        noise[part, part] = shared + between + np.diag(variance - shared + between)
        first += variance.size
    return noise + _doubling_noise(ride, rows)


def _doubling_noise(ride: RideObservations, rows: list[tuple[SegmentReadings, MountedMeter]]) -> Floats:
    """The rider's balance is one unknown of the ride: it moves all readings of a doubling meter together."""
    noise = np.zeros((len(rows), len(rows)))
    known = all(s.left_share_pct > 0 for s in ride.segments)
    sd = DOUBLING_MEASURED_SD_PCT if known else DOUBLING_UNKNOWN_SD_PCT
    for meter in (m for m in ride.meters if m.doubles):
        moved = np.array([sd * ((m.name == meter.name) - (meter.name == ride.reference)) for _, m in rows])
        noise += np.outer(moved, moved)
    return noise


def _doubled_pct(meter: MountedMeter, segment: SegmentReadings) -> float:
    """What doubling its side puts into a meter's reading, by the share that another meter measured; else 0."""
    if not meter.doubles or not segment.left_share_pct > 0:
        return 0.0
    share = segment.left_share_pct if meter.doubles == "left" else 100 - segment.left_share_pct
    return _log_pct(2 * share - 100)


def _log_pct(difference_pct: float) -> float:
    return 100 * math.log1p(difference_pct / 100)


def _passed(ride: RideObservations, segment: SegmentReadings) -> float:
    return _log_pct(-ride.chain.total_pct(torque_nm(segment)))
