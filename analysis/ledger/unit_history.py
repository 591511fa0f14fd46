"""What all rides together tell of one unit: firmware epochs, steps between them, drift, battery, fitness."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from analysis.comparison import ASSUMED_CLAIM_PCT
from analysis.ledger.battery_life import BatteryLife, battery_life
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.repeatability import Precision, more_sessions, precision
from analysis.ledger.ride_scatter import Estimate, Reading, mean_of_rides, slope_within, step_between
from analysis.ledger.unit_rides import PairRide, Step, UnitRide, unit_rides, unit_steps
from analysis.verdict import Word, decide

MONTH_NS = 30.44 * 86_400e9
LEAST_MONTHS = 0.25
LEAST_FIT_SESSIONS = 3
MOST_PARTNERS = 4


@dataclass(frozen=True)
class Epoch:
    """Rides in a row with one firmware. `against`: the mean away from each partner, in %.

    A partner whose own firmware changed meanwhile is several, each named with it.
    """

    firmware: str | None
    first_utc_ns: int | None
    last_utc_ns: int | None
    rides: int
    against: dict[str, Estimate]


@dataclass(frozen=True)
class FirmwareStep:
    """What a change of firmware did, in % against a partner whose own firmware stayed."""

    before: str | None
    after: str | None
    partner: str
    change_pct: Estimate


@dataclass(frozen=True)
class Drift:
    """Per month against a partner, with steps at changes of firmware taken out."""

    partner: str
    per_month_pct: Estimate
    months: float
    why_not: str = ""


@dataclass(frozen=True)
class Fitness:
    """Whether a unit repeats well enough to be the reference, judged by the partner it repeats best against,
    of the four it rode with most.

    Fit: twice the reproducibility's upper limit lies within the claim, and the pair does not differ. The partner's
    scatter is in it too, so the unit's own is smaller. `more_sessions` would make it fit; None: none, or not told.
    """

    partner: str | None
    precision: Precision | None
    claim_pct: float
    claim_assumed: bool
    mean_pct: Estimate
    fit: bool
    more_sessions: int | None
    why_not: str = ""


@dataclass(frozen=True)
class UnitHistory:
    """In order of time."""

    unit: str
    rides: tuple[UnitRide, ...]
    recorded_h: float
    epochs: tuple[Epoch, ...]
    steps: tuple[FirmwareStep, ...]
    drifts: tuple[Drift, ...]
    battery: BatteryLife
    fitness: Fitness

    @property
    def pairs(self) -> tuple[PairRide, ...]:
        return tuple(p for ride in self.rides for p in ride.pairs)

    @property
    def latest(self) -> UnitRide:
        return self.rides[-1]


def unit_history(snapshot: Snapshot, unit: str) -> UnitHistory:
    """:raises BadInput: for a unit that was never recorded."""
    rides = unit_rides(snapshot, unit)
    groups = _epoch_rides(rides)
    return UnitHistory(
        unit=unit,
        rides=rides,
        recorded_h=sum(r.length_s for r in rides) / 3600,
        epochs=tuple(_epoch(group) for group in groups),
        steps=tuple(step for before, after in pairwise(groups) for step in _steps(before, after)),
        drifts=tuple(_drift(name, pairs) for name, pairs in by_partner(rides).items()),
        battery=battery_life(rides),
        fitness=_fitness(snapshot, unit, groups[-1]),
    )


@dataclass(frozen=True)
class Standing:
    """A unit against one partner over all rides with the present firmware of both."""

    partner: str
    mean_pct: Estimate
    tolerance_pct: float
    word: Word


def standings(history: UnitHistory) -> list[Standing]:
    """A single ride keeps the word that its report gave it."""
    found = []
    for partner, every in by_partner(_epoch_rides(history.rides)[-1]).items():
        pairs = [p for p in every if p.partner_firmware == every[-1].partner_firmware]
        mean = mean_of_rides([_reading(p) for p in pairs])
        tolerance = min((p.tolerance_pct for p in pairs if math.isfinite(p.tolerance_pct)), default=math.nan)
        word = pairs[0].word if len(pairs) == 1 else decide(mean.value, mean.half_width, tolerance)
        found.append(Standing(partner, mean, tolerance, word))
    return found


def by_partner(rides: Sequence[UnitRide]) -> dict[str, list[PairRide]]:
    found = defaultdict(list)
    for pair in (p for ride in rides for p in ride.pairs if math.isfinite(p.away_pct)):
        found[pair.partner].append(pair)
    return dict(sorted(found.items()))


def _reading(pair: PairRide) -> Reading:
    return Reading(pair.away_pct, pair.half_width_pct)


def _epoch_rides(rides: Sequence[UnitRide]) -> list[list[UnitRide]]:
    """Split at each change of firmware; a ride that does not tell its own belongs to those before it."""
    groups: list[list[UnitRide]] = []
    firmware: str | None = None
    for ride in rides:
        if not groups or (ride.firmware is not None and firmware is not None and ride.firmware != firmware):
            groups.append([])
        firmware = ride.firmware or firmware
        groups[-1].append(ride)
    return groups


def _firmware(rides: Sequence[UnitRide]) -> str | None:
    return next((r.firmware for r in rides if r.firmware), None)


def _epoch(rides: Sequence[UnitRide]) -> Epoch:
    against = {
        name: mean_of_rides([_reading(p) for p in pairs])
        for partner, every in by_partner(rides).items()
        for name, pairs in _by_partner_firmware(partner, every).items()
    }
    return Epoch(_firmware(rides), rides[0].start_utc_ns, rides[-1].start_utc_ns, len(rides), against)


def _by_partner_firmware(partner: str, pairs: Sequence[PairRide]) -> dict[str, list[PairRide]]:
    told = defaultdict(list)
    for pair in pairs:
        told[pair.partner_firmware].append(pair)
    if len(told) == 1:
        return {partner: list(pairs)}
    return {f"{partner} ({firmware or 'not told'})": found for firmware, found in told.items()}


def _steps(before: Sequence[UnitRide], after: Sequence[UnitRide]) -> Iterable[FirmwareStep]:
    earlier, later = by_partner(before), by_partner(after)
    for partner in earlier.keys() & later.keys():
        # What happened on the partner's side at the same time must not be put down to this unit.
        same = earlier[partner][-1].partner_firmware
        sides = [
            [_reading(p) for p in side if p.partner_firmware == same] for side in (earlier[partner], later[partner])
        ]
        if all(sides):
            yield FirmwareStep(_firmware(before), _firmware(after), partner, step_between(*sides))


def _drift(partner: str, pairs: Sequence[PairRide]) -> Drift:
    dated = [p for p in pairs if p.start_utc_ns is not None]
    groups: dict[tuple[str | None, str | None], list[PairRide]] = defaultdict(list)
    for pair in dated:
        groups[pair.firmware, pair.partner_firmware].append(pair)
    months = max((_month(g[-1]) - _month(g[0]) for g in groups.values()), default=0.0)
    slope = slope_within([([_month(p) for p in g], [_reading(p) for p in g]) for g in groups.values()])
    if months < LEAST_MONTHS:
        return Drift(partner, replace(slope, half_width=math.inf), months, "the rides lie within a week")
    return Drift(partner, slope, months, "" if slope.known else "at least 3 rides with one firmware are needed")


def _month(pair: PairRide) -> float:
    return (pair.start_utc_ns or 0) / MONTH_NS


def _fitness(snapshot: Snapshot, unit: str, epoch: Sequence[UnitRide]) -> Fitness:
    claim = next((c for r in reversed(epoch) if (c := r.facts["claim_pct"]) is not None), None)
    limit = ASSUMED_CLAIM_PCT if claim is None else claim
    none = Fitness(None, None, limit, claim is None, mean_of_rides([]), False, None, "it was never compared")
    # Whoever it seldom rode with tells little of how it repeats; asking for two units at a time is quick.
    often = sorted(by_partner(epoch).items(), key=lambda item: -len(item[1]))[:MOST_PARTNERS]
    found = [_against(unit_steps(snapshot, unit, name), name, pairs, none) for name, pairs in often]
    return min(found, key=lambda f: (not f.fit, _upper(f)), default=none)


def _upper(fitness: Fitness) -> float:
    upper = math.inf if fitness.precision is None else fitness.precision.upper_sd
    return upper if math.isfinite(upper) else math.inf


def _against(steps: Sequence[Step], partner: str, pairs: Sequence[PairRide], none: Fitness) -> Fitness:
    same = [p for p in pairs if p.partner_firmware == pairs[-1].partner_firmware]
    sessions = {p.session: list[float]() for p in same}
    for step in steps:
        if step.session in sessions:
            sessions[step.session].append(step.away_pct)
    found = precision(list(sessions.values()))
    mean = mean_of_rides([_reading(p) for p in same])
    told = replace(none, partner=partner, precision=found, mean_pct=mean)
    limit_sd = none.claim_pct / 2
    more = max(LEAST_FIT_SESSIONS - found.sessions, more_sessions(found, limit_sd) or 0)
    tolerance = max((p.tolerance_pct for p in same if math.isfinite(p.tolerance_pct)), default=math.nan)
    if not math.isfinite(found.reproducibility_sd):
        why = "at least two sessions with several segments are needed"
        return replace(told, more_sessions=max(LEAST_FIT_SESSIONS - found.sessions, 1), why_not=why)
    if found.reproducibility_sd >= limit_sd:
        return replace(told, why_not="it scatters too much for its claim")
    if abs(mean.value) > tolerance:
        return replace(told, why_not="it repeats, but differs from its partner, and two alone cannot tell who is off")
    if more:
        return replace(told, more_sessions=more, why_not="too few sessions so far")
    return replace(told, fit=True, more_sessions=0, why_not="")
