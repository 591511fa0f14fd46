"""Estimates how long a battery lasts from the level that a unit told over the hours it was recorded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.ledger.ride_scatter import NORMAL_975, Reading, slope_within
from analysis.ledger.unit_rides import UnitRide

LEAST_DROP_PCT = 5.0
CHARGED_PCT = 3.0


@dataclass(frozen=True)
class BatteryLife:
    """From full to empty, in recorded hours, with its 95 % interval; nan and a reason where that is not known.

    Riding without recording, and standing about, make it look shorter than it is.
    """

    hours: float
    low_h: float
    high_h: float
    drop_pct: float
    over_h: float
    why_not: str = ""


def battery_life(rides: Sequence[UnitRide]) -> BatteryLife:
    """Levels against recorded hours, one slope through all charges, each charge with a level of its own."""
    charges = _charges(rides)
    drop = sum(max(c[0][1] - c[-1][1], 0.0) for c in charges)
    over_h = sum(c[-1][0] - c[0][0] for c in charges)
    if not charges:
        return _unknown(drop, over_h, "no battery level was told")
    if drop < LEAST_DROP_PCT:
        return _unknown(drop, over_h, f"the level fell by {drop:.0f} % only; {LEAST_DROP_PCT:.0f} % are needed")
    own = NORMAL_975 * _resolution_pct(charges) / math.sqrt(12)
    slope = slope_within([([h for h, _ in c], [Reading(level, own) for _, level in c]) for c in charges])
    if not slope.known or slope.value + slope.half_width >= 0:
        return _unknown(drop, over_h, "the levels scatter too much so far")
    hours = [-100 / rate for rate in (slope.value, slope.value - slope.half_width, slope.value + slope.half_width)]
    return BatteryLife(hours[0], hours[1], hours[2], drop, over_h)


def _unknown(drop_pct: float, over_h: float, why: str) -> BatteryLife:
    return BatteryLife(math.nan, math.nan, math.nan, drop_pct, over_h, why)


def _charges(rides: Sequence[UnitRide]) -> list[list[tuple[float, float]]]:
    """(recorded hours, level) from one charge to the next: the level at each ride's end, and at the first start."""
    charges: list[list[tuple[float, float]]] = []
    hours = 0.0
    for ride in rides:
        first, last = ride.facts["battery_first_pct"], ride.facts["battery_last_pct"]
        if first is None or last is None:
            hours += ride.length_s / 3600
            continue
        if not charges or first >= charges[-1][-1][1] + CHARGED_PCT:
            charges.append([(hours, first)])
        hours += ride.length_s / 3600
        charges[-1].append((hours, last))
    return charges


def _resolution_pct(charges: Sequence[Sequence[tuple[float, float]]]) -> float:
    levels = sorted({level for c in charges for _, level in c})
    return min((b - a for a, b in pairwise(levels)), default=1.0)
