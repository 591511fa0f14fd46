"""The same units in two rides, before and after: what changed between each pair of them, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from analysis.errors import BadInput
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.repeatability import precision
from analysis.ledger.results_schema import METER, RIDE
from analysis.ledger.ride_scatter import Estimate, Reading, mean_of_rides, step_between
from analysis.ledger.unit_rides import PairRide, Step, pair_rides, unit_steps
from analysis.mean_interval import student_t
from analysis.safe_text import safe_text

LEAST_STEPS = 3
LEAST_SESSIONS = 3
_RIDE = (
    "session",
    "sha256",
    "recording",
    "start_utc_ns",
    "length_s",
    "bench",
    "plan",
    "drivetrain",
    "meters",
    "clean",
    "amendments",
    "amendments_sha256",
)


@dataclass(frozen=True)
class PairChange:
    """`change_pct` is the difference of the two differences, from steps that both rides have where there are three.

    Its interval knows only what happened within the rides. `with_sessions_pct` adds what differs from session to
    session, learnt from `sessions` other rides of the pair; inf where those are too few to tell.
    """

    unit: str
    partner: str
    before: PairRide
    after: PairRide
    change_pct: Estimate
    common_steps: int
    with_sessions_pct: float
    sessions: int

    @property
    def half_width_pct(self) -> float:
        """The wider of those known: what an honest statement rests on."""
        known = [w for w in (self.change_pct.half_width, self.with_sessions_pct) if math.isfinite(w)]
        return max(known, default=math.inf)

    @property
    def changed(self) -> bool:
        return abs(self.change_pct.value) > self.half_width_pct


@dataclass(frozen=True)
class RideComparison:
    """`ride_a`, `ride_b`: the ledger's columns of the two rides; `left_out`: units that only one of them has."""

    ride_a: Mapping[str, Any]
    ride_b: Mapping[str, Any]
    pairs: tuple[PairChange, ...]
    left_out: tuple[str, ...]


def known_rides(snapshot: Snapshot) -> list[dict[str, Any]]:
    """In order of time."""
    rides: list[dict[str, Any]] = snapshot.rows(RIDE, _RIDE).to_pylist()
    return sorted(rides, key=lambda r: (r["start_utc_ns"] or 0, r["session"]))


def find_ride(snapshot: Snapshot, text: str) -> dict[str, Any]:
    """By the beginning of its session, or by the name of its file.

    :raises BadInput: where none or several fit.
    """
    name = PurePath(text).name
    rides = known_rides(snapshot)
    whole = [r for r in rides if name in (r["session"], r["recording"])]
    found = whole or [r for r in rides if name and (r["session"].startswith(name) or r["recording"].startswith(name))]
    if len(found) == 1:
        return found[0]
    shown = safe_text(text, 100)
    if not found:
        raise BadInput(f"the ledger has no ride `{shown}`; `wattproof ledger list` names them.")
    fitting = ", ".join(r["session"][:12] for r in found[:4])
    raise BadInput(f"`{shown}` fits {len(found)} rides ({fitting}, ...); give more of the session.")


def compare_rides(snapshot: Snapshot, ride_a: str, ride_b: str) -> RideComparison:
    """:raises BadInput: for a ride that is not known, or one ride given twice."""
    a, b = find_ride(snapshot, ride_a), find_ride(snapshot, ride_b)
    if a["session"] == b["session"]:
        raise BadInput(f"both are ride {a['session'][:12]}; give two different rides.")
    units = [_units(snapshot, ride["session"]) for ride in (a, b)]
    found = []
    for unit, reference in units[0].items():
        if reference:
            change = _change(snapshot, unit, reference, a["session"], b["session"])
            found += [change] if change is not None else []
    left_out = sorted(units[0].keys() ^ units[1].keys())
    return RideComparison(a, b, tuple(found), tuple(left_out))


def _units(snapshot: Snapshot, session: str) -> dict[str, str | None]:
    rows = snapshot.rows(METER, ["unit", "reference_unit"], session=session).to_pylist()
    return {row["unit"]: row["reference_unit"] for row in rows if row["unit"]}


def _change(snapshot: Snapshot, unit: str, partner: str, a: str, b: str) -> PairChange | None:
    pairs = [p for p in pair_rides(snapshot, unit, partner) if math.isfinite(p.away_pct)]
    before = next((p for p in pairs if p.session == a), None)
    after = next((p for p in pairs if p.session == b), None)
    if before is None or after is None:
        return None
    steps = unit_steps(snapshot, unit, partner)
    change, common = _difference(
        [s for s in steps if s.session == a], [s for s in steps if s.session == b], before, after
    )
    sessions_sd, freedom, sessions = _between_sessions(pairs, steps, {a, b})
    half = student_t(0.975, freedom) * sessions_sd * math.sqrt(2) if freedom else math.inf
    together = math.hypot(change.half_width, half)
    return PairChange(unit, partner, before, after, change, common, together, sessions)


def _difference(
    before: Sequence[Step], after: Sequence[Step], ride_before: PairRide, ride_after: PairRide
) -> tuple[Estimate, int]:
    """Step by step where both rides have the same steps: what depends on power or posture then cancels."""
    later = {(s.name, s.repeat_no): s for s in after}
    both = [(s, later[s.name, s.repeat_no]) for s in before if (s.name, s.repeat_no) in later]
    if len(both) >= LEAST_STEPS:
        changes = [Reading(y.away_pct - x.away_pct, math.hypot(x.half_width_pct, y.half_width_pct)) for x, y in both]
        return mean_of_rides(changes), len(both)
    if min(len(before), len(after)) >= LEAST_STEPS:
        sides = [[Reading(s.away_pct, s.half_width_pct) for s in side] for side in (before, after)]
        return step_between(sides[0], sides[1]), len(both)
    half = math.hypot(ride_before.half_width_pct, ride_after.half_width_pct)
    return Estimate(ride_after.away_pct - ride_before.away_pct, half, 2), len(both)


def _between_sessions(pairs: Sequence[PairRide], steps: Sequence[Step], compared: set[str]) -> tuple[float, int, int]:
    """What sessions add, from all rides of the pair but these two, each state of the firmware with its own level.

    Returns standard deviation, degrees of freedom (0 where it cannot be told), sessions.
    """
    states: dict[tuple[str | None, str | None], list[list[float]]] = {}
    for pair in pairs:
        if pair.session not in compared:
            values = [s.away_pct for s in steps if s.session == pair.session]
            states.setdefault((pair.firmware, pair.partner_firmware), []).extend([values] if values else [])
    told = [precision(groups) for groups in states.values() if len(groups) >= LEAST_SESSIONS]
    known = [(p.between_sd**2, p.sessions) for p in told if math.isfinite(p.between_sd)]
    freedom = sum(sessions - 1 for _, sessions in known)
    if not freedom:
        return math.nan, 0, 0
    variance = sum(v * (sessions - 1) for v, sessions in known) / freedom
    return math.sqrt(variance), freedom, sum(sessions for _, sessions in known)
