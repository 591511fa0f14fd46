"""What a ledger says of the unit that is the reference: asked once, when packing, and kept in the pack."""

from __future__ import annotations

import math

from analysis.ledger.ledger_folder import open_ledger
from analysis.ledger.unit_history import unit_history
from analysis.ledger.unit_rides import known_units
from analysis.pack.terms import LedgerStanding


def ledger_standing(place: str, unit: str) -> LedgerStanding | None:
    """None for a unit that the ledger does not know.

    :raises BadInput: for a ledger that cannot be opened.
    """
    snapshot = open_ledger(place).snapshot()
    if unit not in known_units(snapshot):
        return None
    history = unit_history(snapshot, unit)
    fitness, precision = history.fitness, history.fitness.precision
    return LedgerStanding(
        unit=unit,
        rides=len(history.rides),
        sessions=0 if precision is None else precision.sessions,
        fit=fitness.fit,
        claim_pct=fitness.claim_pct,
        claim_assumed=fitness.claim_assumed,
        partner=fitness.partner,
        reproducibility_sd_pct=None if precision is None else _known(precision.reproducibility_sd),
        upper_sd_pct=None if precision is None else _known(precision.upper_sd),
        why_not=fitness.why_not,
    )


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
