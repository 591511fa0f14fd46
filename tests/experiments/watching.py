"""Knows how often the live verdict is wrong for somebody who watches it grow, and how long it takes to come.

Run `python -m tests.experiments.watching [RIDES [SEED]]` (1,000 rides at the edge unless said; about 10 minutes).
"""

# ruff: noqa: T201 - printing its table is what an experiment is for

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.confidence_sequence import FIRST_VERDICT_S, WANDER_FLOOR_PCT2_S, LiveInterval
from analysis.live_judgement import pooled_interval
from analysis.mean_interval import LEAST_RIDE_S, RatioSeries, prewhitened_interval, ratio_series, ride_intervals
from analysis.tolerance import joint_tolerance
from analysis.verdict import Word, decide
from tests.experiments.coverage import BETWEEN_S, random_meters
from tests.experiments.mechanical_pairs import Pair, Rider, over_under_rider, ride_pair, steady_rider

TOLERANCE_PCT = joint_tolerance(1.0, 1.0, 0.0, 200.0).pct
LAYOUTS: dict[str, tuple[int, ...]] = {"one of 1200 s": (1200,), "seven of 180 s": (180,) * 7}
RIDERS: dict[str, Callable[[np.random.Generator, int], Rider]] = {
    "steady": steady_rider,
    "over-under": over_under_rider,
}


@dataclass(frozen=True)
class Watched:
    """The first verdict of one ride and after how many seconds it came; undecided: none did."""

    word: Word
    seconds: float


@dataclass(frozen=True)
class Cell:
    """`error` in tolerances; `wander_pct` is that of each meter (the promise is made for 0.4)."""

    rider: str
    layout: str
    error: float
    wander_pct: float = 0.4


def fixed_time(series: Sequence[RatioSeries]) -> LiveInterval:
    """What is wrong to watch: the interval that holds at one time chosen beforehand."""
    joined = [part for s in series for part in (_seconds(s), np.full(1, np.nan))]
    interval = prewhitened_interval(np.concatenate(joined))
    return LiveInterval(interval.mean, interval.half_width, interval.n, 0.0)


def stated_floor(series: Sequence[RatioSeries]) -> LiveInterval:
    return pooled_interval([_seconds(s) for s in series])


def own_floor(series: Sequence[RatioSeries]) -> LiveInterval:
    """The floor replaced by what the ride itself tells of slow wander, once it holds 8 minutes."""
    fresh = [int(np.isfinite(s.residual_pct).sum()) for s in series]
    floor = WANDER_FLOOR_PCT2_S
    if sum(fresh) >= LEAST_RIDE_S:
        told = [(i.long_run_variance, n) for i, n in zip(ride_intervals(series), fresh, strict=True)]
        known = [(v, n) for v, n in told if math.isfinite(v)]
        floor = sum(v * n for v, n in known) / sum(n for _, n in known)
    return pooled_interval([_seconds(s) for s in series], floor)


RULES: dict[str, Callable[[Sequence[RatioSeries]], LiveInterval]] = {
    "fixed time": fixed_time,
    "stated floor": stated_floor,
    "own floor after 8 min": own_floor,
}


def looks_s(total_s: int) -> list[int]:
    """Each 2 s for two minutes, each 5 s until ten, each 15 s from then on."""
    return [*range(FIRST_VERDICT_S, 120, 2), *range(120, 600, 5), *range(600, total_s + 1, 15)]


def ridden(cell: Cell, rng: np.random.Generator) -> list[Pair]:
    """Steps of a ride on which one meter is wrong by that much, up or down; no drift, since it moves the truth."""
    a, b = random_meters(rng, unlike=bool(rng.integers(2)))
    wrong_pct = cell.error * TOLERANCE_PCT * rng.choice([-1, 1])
    a = replace(a, scale_pct=wrong_pct, drift_pct_per_10min=0.0, wander_pct=cell.wander_pct)
    b = replace(b, scale_pct=0.0, drift_pct_per_10min=0.0, wander_pct=cell.wander_pct)
    steps = LAYOUTS[cell.layout]
    rider = RIDERS[cell.rider](rng, sum(steps) + BETWEEN_S * len(steps))
    pair = ride_pair(rng, rider, a, b)
    begins = np.cumsum([0, *(s + BETWEEN_S for s in steps)])
    return [pair.part(int(at) + BETWEEN_S, int(at) + BETWEEN_S + s) for at, s in zip(begins, steps, strict=False)]


def watch(steps: Sequence[Pair], rule: Callable[[Sequence[RatioSeries]], LiveInterval]) -> Watched:
    """Look again and again, and stop at the first verdict."""
    whole = [ratio_series(p.a_w, p.b_w) for p in steps]
    ends = np.cumsum([p.a_w.size for p in steps])
    for at_s in looks_s(int(ends[-1])):
        running = int(np.searchsorted(ends, at_s))
        into_s = at_s - (int(ends[running - 1]) if running else 0)
        part = ratio_series(steps[running].a_w[:into_s], steps[running].b_w[:into_s])
        interval = rule([*whole[:running], part])
        word = decide(interval.mean_pct, interval.half_width_pct, TOLERANCE_PCT)
        if word != "undecided" and not interval.too_early:
            return Watched(word, float(at_s))
    return Watched("undecided", math.inf)


def run_cell(cell: Cell, rides: int, rules: Sequence[str], seed: int = 20261126) -> dict[str, list[Watched]]:
    rng = np.random.default_rng([seed, round(10 * cell.error), len(LAYOUTS[cell.layout]), len(cell.rider)])
    found: dict[str, list[Watched]] = {rule: [] for rule in rules}
    for _ in range(rides):
        steps = ridden(cell, rng)
        for rule in rules:
            found[rule].append(watch(steps, RULES[rule]))
    return found


def decided_pct(watched: Sequence[Watched], within_s: float = math.inf) -> float:
    """Share of the rides with a verdict; at the very edge each of them is wrong."""
    return 100 * sum(w.word != "undecided" and w.seconds <= within_s for w in watched) / len(watched)


def wrong_pct(watched: Sequence[Watched], error: float) -> float:
    wrong = {"agrees"} if error > 1 else {"differs"} if error < 1 else {"agrees", "differs"}
    return 100 * sum(w.word in wrong for w in watched) / len(watched)


def _seconds(series: RatioSeries) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(series.residual_pct + series.difference_pct)


def main(rides: int, seed: int) -> None:
    print(f"{rides} rides at the edge of the tolerance, watched all along: share that got a verdict, in %, at most 5")
    for wander_pct in (0.4, 0.6):
        for rider in RIDERS:
            for layout in LAYOUTS:
                found = run_cell(Cell(rider, layout, 1.0, wander_pct), rides, list(RULES), seed)
                told = "  ".join(f"{rule} {wrong_pct(watched, 1.0):4.1f}" for rule, watched in found.items())
                print(f"wander {wander_pct} %  {rider:10} {layout:15}  {told}", flush=True)
    print(f"{rides // 4} rides per error, seven steps of 180 s: seconds to a verdict, half and 90 % of the rides")
    for rider in RIDERS:
        for error in (0.0, 0.5, 1.5, 2.0, 3.0):
            found = run_cell(
                Cell(rider, "seven of 180 s", error), rides // 4, ["stated floor", "own floor after 8 min"], seed
            )
            for rule, watched in found.items():
                half, most = np.quantile([w.seconds for w in watched], [0.5, 0.9], method="higher")
                told = f"within 10 min {decided_pct(watched, 600):5.1f} %  wrong {wrong_pct(watched, error):4.1f} %"
                print(f"{rider:10} error {error:3.1f}  {rule:22} {half:6.0f} {most:6.0f}  {told}", flush=True)


if __name__ == "__main__":
    main(*(int(given) for given in (sys.argv[1:] + ["1000", "20261126"][len(sys.argv) - 1 :])))
