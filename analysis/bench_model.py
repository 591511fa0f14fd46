"""Knows what one ride says for a bench adjustment: who was mounted where, and how each read against the reference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from analysis.bench_file import Bench, Meter
from analysis.comparison import APART, ASSUMED_CLAIM_PCT, Comparison, Setup
from analysis.mean_interval import student_t
from analysis.segment_metrics import SegmentMetrics, measured_left_share_pct
from analysis.tolerance import ChainLoss

# Where a claim covers scale and zero offset together, it is read at 200 W and 90 rpm: 21 N·m.
REFERENCE_TORQUE_NM = 21.0


@dataclass(frozen=True)
class MountedMeter:
    """A unit with one firmware, in one ride. `unit` is the ledger's key, `epoch` its firmware, "" where not told.

    `doubles`: the side that a one-sided meter measures and doubles; then the rider's balance is in its reading.
    """

    name: str
    unit: str
    behind_chain: bool = False
    claim_pct: float = ASSUMED_CLAIM_PCT
    epoch: str = ""
    doubles: Literal["", "left", "right"] = ""

    @property
    def key(self) -> tuple[str, str]:
        return self.unit, self.epoch


@dataclass(frozen=True)
class Reading:
    """A meter over the reference in one segment: ratio less one, and the variance of that by the ride's noise."""

    difference_pct: float
    variance_pct2: float


@dataclass(frozen=True)
class SegmentReadings:
    """`torque_nm` is the mean crank torque, nan where no cadence was seen. By name, without the reference.

    `left_share_pct` is that of a meter which measures both sides and says which is which; nan without one.
    """

    name: str
    torque_nm: float
    readings: Mapping[str, Reading]
    left_share_pct: float = math.nan


@dataclass(frozen=True)
class RideObservations:
    """All that one ride tells. `chain_id` None: a chain of which other rides know nothing."""

    ride: str
    reference: str
    meters: tuple[MountedMeter, ...]
    segments: tuple[SegmentReadings, ...]
    chain: ChainLoss = field(default_factory=ChainLoss)
    chain_id: str | None = None


def ride_observations(
    results: Sequence[SegmentMetrics],
    setup: Setup,
    bench: Bench,
    ride: str = "ride",
    firmware: Mapping[str, str] | None = None,
) -> RideObservations | None:
    """From judged segments; None where nothing could be compared. `firmware` is by meter.

    Sprints and zeroing stay out, and segments too short to tell.
    """
    segments = tuple(s for r in results if (s := _readings(r, setup.reference)) is not None)
    heard = {name for s in segments for name in s.readings}
    if setup.reference is None or not heard:
        return None
    known = firmware or {}
    mounted = tuple(
        _mounted(m, known.get(m.name, "")) for m in bench.meter if m.name in heard or m.name == setup.reference
    )
    return RideObservations(ride, setup.reference, mounted, segments, setup.chain, bench.drivetrain.id)


def _mounted(meter: Meter, firmware: str) -> MountedMeter:
    claim = ASSUMED_CLAIM_PCT if meter.claim_pct is None else meter.claim_pct
    doubles = meter.sides if meter.sides in ("left", "right") else ""
    return MountedMeter(meter.name, meter.unit or meter.name, meter.behind_chain, claim, firmware, doubles)


def _readings(result: SegmentMetrics, reference: str | None) -> SegmentReadings | None:
    if result.segment.step_kind in APART or reference is None:
        return None
    told = {name: _reading(c) for name, c in result.comparisons.items() if _tells(c)}
    if not told:
        return None
    return SegmentReadings(result.segment.name, _torque_nm(result, reference), told, measured_left_share_pct(result))


def _tells(comparison: Comparison) -> bool:
    difference = comparison.difference_pct
    return not difference.too_short and math.isfinite(difference.half_width) and difference.mean > -100


def _reading(comparison: Comparison) -> Reading:
    # The half-width knows how few the independent seconds were; the bare long-run variance does not.
    sd = comparison.difference_pct.half_width / student_t(0.975, math.inf)
    return Reading(comparison.difference_pct.mean, sd**2)


def _torque_nm(result: SegmentMetrics, reference: str) -> float:
    """That of the reference; with any other's cadence where it sends none."""
    figures = result.meters[reference]
    if figures.mean_torque_nm > 0:
        return figures.mean_torque_nm
    cadence = next((f.mean_cadence_rpm for f in result.meters.values() if f.mean_cadence_rpm > 0), math.nan)
    return figures.mean_power_w * 30 / (math.pi * cadence)
