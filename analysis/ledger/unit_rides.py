"""The rides of one unit as a ledger has them: each with what it was compared with, seen from that unit."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow.compute as pc

from analysis.comparison import APART
from analysis.errors import BadInput
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.results_schema import METER, SEGMENT
from analysis.safe_text import safe_text
from analysis.verdict import Word

_OWN = (
    *("session", "recording", "start_utc_ns", "length_s", "bench", "clean", "drivetrain"),
    *("meter", "unit", "place", "claim_pct", "model", "serial", "firmware", "expected_firmware"),
    *("claimed_battery_h", "mounted", "battery_first_pct", "battery_last_pct", "temperature_c"),
    *("zero_offsets", "parts", "mean_power_w", "sprints", "sprints_away_pct", "sprints_verdict"),
    *("amendments", "amendments_sha256"),
)
_COMPARED = (
    *("session", "start_utc_ns", "unit", "firmware", "place", "reference_unit", "reference_firmware"),
    *("reference_place", "difference_pct", "away_pct", "away_half_width_pct", "tolerance_pct", "verdict"),
    *("segments_judged", "more_segments_to_decide"),
    *("as_recorded_verdict", "as_recorded_away_pct", "as_recorded_away_half_width_pct"),
)
_STEPS = (
    *("session", "start_utc_ns", "unit", "firmware", "reference_unit", "reference_firmware", "segment"),
    *("repeat_no", "step_kind", "away_pct", "away_half_width_pct", "too_short"),
)


@dataclass(frozen=True)
class PairRide:
    """One unit against another in one ride: away from what is expected, in % of it. Half-width inf where unknown.

    `as_recorded_` tells the same without the amendments of the ride; the word is None where there are none.
    """

    session: str
    start_utc_ns: int | None
    partner: str
    firmware: str | None
    partner_firmware: str | None
    away_pct: float
    half_width_pct: float
    tolerance_pct: float
    word: Word
    more_segments: int | None
    as_recorded_word: Word | None = None
    as_recorded_pct: float = math.nan
    as_recorded_half_width_pct: float = math.inf


@dataclass(frozen=True)
class UnitRide:
    """`facts` are the columns of the results that belong to the unit."""

    session: str
    start_utc_ns: int | None
    length_s: float
    place: str
    firmware: str | None
    facts: Mapping[str, Any]
    pairs: tuple[PairRide, ...]


@dataclass(frozen=True)
class Step:
    """One segment of a pair of units."""

    session: str
    partner: str
    name: str
    repeat_no: int
    kind: str
    away_pct: float
    half_width_pct: float


def known_units(snapshot: Snapshot) -> list[str]:
    return sorted(u for u in pc.unique(snapshot.rows(METER, ["unit"])["unit"]).to_pylist() if u)


def unit_rides(snapshot: Snapshot, unit: str) -> tuple[UnitRide, ...]:
    """In order of time, those without one first.

    :raises BadInput: for a unit that was never recorded.
    """
    own = snapshot.rows(METER, _OWN, unit=unit).to_pylist()
    if not own:
        units = known_units(snapshot)
        there = f"there are {', '.join(units[:12])}" if units else "no bench file so far gives its meters a `unit`"
        raise BadInput(f"the ledger has no unit named `{safe_text(unit)}`; {there}.")
    pairs = defaultdict(list)
    for pair in pair_rides(snapshot, unit):
        pairs[pair.session].append(pair)
    rides = [
        UnitRide(
            session=row["session"],
            start_utc_ns=row["start_utc_ns"],
            length_s=row["length_s"] or 0.0,
            place=row["place"],
            firmware=row["firmware"],
            facts=row,
            pairs=tuple(sorted(pairs[row["session"]], key=lambda p: p.partner)),
        )
        for row in own
    ]
    return tuple(sorted(rides, key=lambda r: (r.start_utc_ns or 0, r.session)))


def pair_rides(snapshot: Snapshot, unit: str, partner: str | None = None) -> list[PairRide]:
    """Every comparison of a unit with another, or with this one, whichever of them was the reference."""
    found = [_pair(row, flip) for row, flip in _from_both_sides(snapshot, METER, _COMPARED, unit, partner)]
    return sorted(found, key=lambda p: (p.start_utc_ns or 0, p.session))


def unit_steps(snapshot: Snapshot, unit: str, partner: str | None = None) -> list[Step]:
    """Segments that tell enough, against this partner or any; the steady ones where a ride has them."""
    rows = _from_both_sides(snapshot, SEGMENT, _STEPS, unit, partner)
    rows.sort(key=lambda found: (found[0]["start_utc_ns"] or 0, found[0]["session"]))
    steps = [_step(row, flip) for row, flip in rows if not row["too_short"] and row["away_pct"] is not None]
    steady = {s.session for s in steps if s.kind == "steady"}
    return [s for s in steps if s.kind == "steady" or (s.session not in steady and s.kind not in APART)]


def _from_both_sides(
    snapshot: Snapshot, kind: str, columns: Sequence[str], unit: str, partner: str | None
) -> list[tuple[dict[str, Any], bool]]:
    """Rows that compare the unit, with whether it was the reference. Two named units are much quicker to find."""
    as_meter, as_reference = {"unit": unit}, {"reference_unit": unit}
    if partner is not None:
        as_meter["reference_unit"] = as_reference["unit"] = partner
    rows = [(row, False) for row in snapshot.rows(kind, columns, **as_meter).to_pylist() if row["reference_unit"]]
    return rows + [(row, True) for row in snapshot.rows(kind, columns, **as_reference).to_pylist() if row["unit"]]


def from_the_other_side(away_pct: float, half_width_pct: float) -> tuple[float, float]:
    """What the reference reads against the meter that reads `away_pct` against it."""
    ratio = 1 + away_pct / 100
    return 100 * (1 / ratio - 1), half_width_pct / ratio**2


def _seen(row: Mapping[str, Any], flip: bool, which: str = "") -> tuple[float, float]:
    away = math.nan if row[f"{which}away_pct"] is None else row[f"{which}away_pct"]
    half = math.inf if (width := row[f"{which}away_half_width_pct"]) is None else width
    return from_the_other_side(away, half) if flip and away > -100 else (away, half)


def _pair(row: Mapping[str, Any], flip: bool) -> PairRide:
    away, half = _seen(row, flip)
    recorded, recorded_half = _seen(row, flip, "as_recorded_")
    own, other = ("reference_firmware", "firmware") if flip else ("firmware", "reference_firmware")
    return PairRide(
        session=row["session"],
        start_utc_ns=row["start_utc_ns"],
        partner=row["unit"] if flip else row["reference_unit"],
        firmware=row[own],
        partner_firmware=row[other],
        away_pct=away,
        half_width_pct=half,
        tolerance_pct=math.nan if row["tolerance_pct"] is None else row["tolerance_pct"],
        word=row["verdict"] or "undecided",
        more_segments=row["more_segments_to_decide"],
        as_recorded_word=row["as_recorded_verdict"],
        as_recorded_pct=recorded,
        as_recorded_half_width_pct=recorded_half,
    )


def _step(row: Mapping[str, Any], flip: bool) -> Step:
    away, half = _seen(row, flip)
    partner = row["unit"] if flip else row["reference_unit"]
    return Step(row["session"], partner, row["segment"], row["repeat_no"] or 1, row["step_kind"], away, half)
