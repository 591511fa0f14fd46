"""Knows when the evidence suffices to say that two meters agree or differ, and how much more of it would do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.mean_interval import MeanInterval, student_t

Word = Literal["agrees", "differs", "undecided"]

LEAST_SEGMENTS = 3
LEAST_SPRINTS = 4
MOST_REPEATS = 200
# Pulse work of a smoothed and an unsmoothed meter of equal scale lay up to 1 % apart in simulated sprints.
UNLIKE_SMOOTHING_PCT = 1.0


@dataclass(frozen=True)
class Judgement:
    """What is said of one meter against the reference, and from what. All in % of the expected reading."""

    word: Word
    away_pct: float
    half_width_pct: float
    tolerance_pct: float
    repeats: int  # segments or sprints that went into it
    more_repeats: int | None  # that many more would decide at the present scatter; None: none would, or not told
    reason: str = ""


def decide(away: float, half_width: float, tolerance: float) -> Word:
    """agrees: away ± half-width lies within ± tolerance; differs: wholly outside; all in one unit.

    At the edge this is two one-sided 2.5 % tests (Schuirmann 1987). Anything not finite is undecided.
    """
    if not (math.isfinite(away) and math.isfinite(half_width)):
        return "undecided"
    if abs(away) + half_width <= tolerance:
        return "agrees"
    if abs(away) - half_width > tolerance:
        return "differs"
    return "undecided"


def seconds_to_decide(away: float, half_width: float, tolerance: float, fresh_s: float) -> float:
    """How many more fresh seconds would decide if all stays as it is: the half-width shrinks with 1/sqrt(time).

    0 where it is decided; infinite for a meter at the very edge of the tolerance, and where nothing is known.
    """
    if decide(away, half_width, tolerance) != "undecided":
        return 0.0
    room = abs(tolerance - abs(away))
    if not (math.isfinite(half_width) and room > 0):
        return math.inf
    return fresh_s * ((half_width / room) ** 2 - 1.0)


def judge_segment(interval: MeanInterval, tolerance_pct: float) -> Word:
    """One segment by itself; `interval` is that of the difference less what the chain explains."""
    return "undecided" if interval.too_short else decide(interval.mean, interval.half_width, tolerance_pct)


def judge_segments(intervals: Sequence[MeanInterval], tolerance_pct: float) -> Judgement:
    """One meter over its segments, one per plan step. Segments never vote: their means are averaged, unweighted.

    h = max(t(k−1)·s/√k, 1.96·sqrt(Σ v_j)/k) with v_j the variance of a segment's mean: real differences between
    segments count as scatter, and luck in few segments cannot make the interval narrower than their own.
    Segments too short to tell are left out; below 3 the word is undecided.
    """
    told = [i for i in intervals if not i.too_short]
    away = np.array([i.mean for i in told])
    within = [i.long_run_variance / i.n for i in told]
    if len(told) < LEAST_SEGMENTS:
        reason = f"{LEAST_SEGMENTS} segments of about a minute or longer are needed, here are {len(told)}"
        mean = float(away.mean()) if told else math.nan
        return Judgement("undecided", mean, math.inf, tolerance_pct, len(told), LEAST_SEGMENTS - len(told), reason)
    return _pool(away.tolist(), within, tolerance_pct, 0.0)


def judge_sprints(away_pct: Sequence[float], tolerance_pct: float, *, unlike_smoothing: bool) -> Judgement:
    """Repeated sprints by their pulse work, each away so many % from the expected ratio; t(k−1)·s/√k.

    Below 4 sprints the word is undecided. Unlike smoothing widens the interval by 1 %, since that much may be its
    doing. Never ask for more sprints than somebody is fit for.
    """
    if len(away_pct) < LEAST_SPRINTS:
        reason = f"{LEAST_SPRINTS} sprints are needed, here are {len(away_pct)}"
        mean = float(np.mean(away_pct)) if away_pct else math.nan
        return Judgement(
            "undecided", mean, math.inf, tolerance_pct, len(away_pct), LEAST_SPRINTS - len(away_pct), reason
        )
    allowance = UNLIKE_SMOOTHING_PCT if unlike_smoothing else 0.0
    return _pool(list(away_pct), [0.0] * len(away_pct), tolerance_pct, allowance)


def _pool(away_pct: list[float], within: list[float], tolerance_pct: float, allowance_pct: float) -> Judgement:
    k = len(away_pct)
    mean, sd = float(np.mean(away_pct)), float(np.std(away_pct, ddof=1))
    within_sd = math.sqrt(sum(within) / k)
    half_width = _pooled_half_width(sd, within_sd, k) + allowance_pct
    word = decide(mean, half_width, tolerance_pct)
    room = abs(tolerance_pct - abs(mean)) - allowance_pct
    more = 0 if word != "undecided" else _more_repeats(sd, within_sd, k, room)
    return Judgement(word, mean, half_width, tolerance_pct, k, more)


def _pooled_half_width(sd: float, within_sd: float, k: int) -> float:
    return max(student_t(0.975, k - 1) * sd, 1.96 * within_sd) / math.sqrt(k)


def _more_repeats(sd: float, within_sd: float, k: int, room: float) -> int | None:
    for repeats in range(k + 1, MOST_REPEATS + 1):
        if _pooled_half_width(sd, within_sd, repeats) <= room:
            return repeats - k
    return None
