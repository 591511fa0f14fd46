"""Knows how well a unit repeats within a session and from one session to the next, and when that is good enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

LEAST_SESSIONS = 2
MOST_SESSIONS = 100


@dataclass(frozen=True)
class Precision:
    """ISO 5725-2:2019, 7.4 to 7.5: sessions take the place of laboratories, segments that of repeated results.

    `repeatability_sd` within a session, `between_sd` what sessions add, `reproducibility_sd` both together.
    `replicates` is the mean number of results a session that unequal numbers amount to. `upper_sd`: the
    reproducibility is below it with 95 % certainty.
    All in the unit of the results; nan where it cannot be said.
    """

    mean: float
    repeatability_sd: float
    between_sd: float
    reproducibility_sd: float
    upper_sd: float
    sessions: int
    results: int
    replicates: float


def precision(sessions: Sequence[Sequence[float]]) -> Precision:
    """Of one-way results, sessions of unequal length allowed; empty ones are left out.

    A variance between sessions that comes out negative is set to 0, as the standard says.
    """
    groups = [np.asarray(s, np.float64) for s in sessions if len(s)]
    p, total = len(groups), sum(g.size for g in groups)
    mean = float(np.concatenate(groups).mean()) if groups else math.nan
    spare = total - p
    within = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / spare if spare else math.nan
    if p < LEAST_SESSIONS or not spare:
        return Precision(mean, math.sqrt(within), math.nan, math.nan, math.nan, p, total, math.nan)
    replicates = (total - sum(g.size**2 for g in groups) / total) / (p - 1)
    among = sum(g.size * (float(g.mean()) - mean) ** 2 for g in groups) / (p - 1)
    between = max((among - within) / replicates, 0.0)
    return Precision(
        mean=mean,
        repeatability_sd=math.sqrt(within),
        between_sd=math.sqrt(between),
        reproducibility_sd=math.sqrt(within + between),
        upper_sd=_upper_sd(among, within, replicates, p, spare),
        sessions=p,
        results=total,
        replicates=replicates,
    )


def more_sessions(found: Precision, limit_sd: float) -> int | None:
    """How many more sessions like these bring `upper_sd` down to the limit; None where none would."""
    if not math.isfinite(found.reproducibility_sd) or found.reproducibility_sd >= limit_sd:
        return None
    within = found.repeatability_sd**2
    among = within + found.replicates * found.between_sd**2
    for sessions in range(found.sessions, MOST_SESSIONS + 1):
        spare = round(sessions * (found.results / found.sessions - 1))
        if _upper_sd(among, within, found.replicates, sessions, spare) <= limit_sd:
            return sessions - found.sessions
    return None


def _upper_sd(among: float, within: float, replicates: float, sessions: int, spare: int) -> float:
    """Modified large samples (Graybill and Wang 1980, JASA 75, 869), for among/n + (1 − 1/n)·within.

    Satterthwaite's degrees of freedom would hold in 89 % of cases with six sessions: they count luck as knowledge.
    """
    from_sessions, from_results = among / replicates, (1 - 1 / replicates) * within
    beyond = math.hypot(_excess(sessions - 1) * from_sessions, _excess(spare) * from_results)
    return math.sqrt(from_sessions + from_results + beyond)


def _excess(degrees_of_freedom: int) -> float:
    """By what share of itself a variance may lie higher: ν/χ²(0.05, ν) − 1."""
    # chdtri inverts the upper tail.
    return degrees_of_freedom / float(chdtri(degrees_of_freedom, 0.95)) - 1
