"""Knows whether the 95 % intervals and the verdicts keep their promise on mechanically made differences.

Run `python -m tests.experiments.coverage [RIDES [SEED]]` (2,000 rides per cell unless said; about 6 minutes).
The constants of the interval were chosen on seed 1, so that a claim of coverage needs another seed.
"""

# ruff: noqa: T201 - printing its table is what an experiment is for

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analysis.mean_interval import (
    MeanInterval,
    RatioSeries,
    iid_interval,
    newey_west_interval,
    prewhitened_interval,
    ratio_series,
    ride_intervals,
)
from analysis.power_figures import pedalling_seconds
from analysis.tolerance import joint_tolerance
from analysis.verdict import Word, judge_segment, judge_segments
from tests.experiments.mechanical_pairs import (
    RECORDED,
    Meter,
    Pair,
    Rider,
    over_under_rider,
    recorded_riders,
    ride_pair,
    steady_rider,
)

SEGMENTS = {60: 10, 180: 4, 600: 2}  # how many segments of so many seconds make the ride
BETWEEN_S = 20
METHODS: dict[str, Callable[[list[RatioSeries]], list[MeanInterval]]] = {
    "iid": lambda segments: [iid_interval(s.residual_pct + s.difference_pct) for s in segments],
    "newey-west": lambda segments: [newey_west_interval(s.residual_pct + s.difference_pct) for s in segments],
    "own": lambda segments: [prewhitened_interval(s.residual_pct + s.difference_pct) for s in segments],
    "ride": ride_intervals,
}


@dataclass(frozen=True)
class Cell:
    rider: str  # steady, over-under, recorded
    segment_s: int
    unlike_smoothing: bool


@dataclass(frozen=True)
class Outcome:
    """Per method: share of the told intervals that hold the truth, their median half-width, share not told, in %."""

    covered_pct: dict[str, float]
    half_width_pct: dict[str, float]
    too_short_pct: dict[str, float]
    segments: int


def riders(kind: str, rng: np.random.Generator, seconds: int) -> Iterator[Rider]:
    if kind == "recorded":
        yield from recorded_riders(rng, seconds)
    make = steady_rider if kind == "steady" else over_under_rider
    while True:
        yield make(rng, seconds)


def random_meters(rng: np.random.Generator, *, unlike: bool) -> tuple[Meter, Meter]:
    a = Meter(
        rate_hz=float(rng.choice([1.0, 4.0])),
        turns=None if unlike else 1,
        lag_s=rng.normal(0, 0.1),
        scale_pct=rng.normal(0, 1.0),
        drift_pct_per_10min=rng.normal(0, 0.2),
    )
    b = Meter(
        rate_hz=float(rng.choice([1.0, 4.0])),
        scale_pct=rng.normal(0, 0.5),
        drift_pct_per_10min=rng.normal(0, 0.1),
    )
    return a, b


def segments_of(pair: Pair, rider: Rider, segment_s: int, count: int) -> list[Pair]:
    """Both meters where the rider is well within pedalling, cut into segments."""
    cadence = rider.cadence_rpm.reshape(pair.a_w.size, -1).mean(axis=1)
    pair = replace(pair, a_w=np.where(pedalling_seconds(cadence), pair.a_w, np.nan))
    step = segment_s + BETWEEN_S
    return [pair.part(k * step + BETWEEN_S, (k + 1) * step) for k in range(count)]


def run_cell(cell: Cell, rides: int, seed: int = 20261125) -> Outcome:
    rng = np.random.default_rng([seed, cell.segment_s, cell.unlike_smoothing])
    count = SEGMENTS[cell.segment_s]
    source = riders(cell.rider, rng, count * (cell.segment_s + BETWEEN_S))
    errors: dict[str, list[tuple[float, MeanInterval]]] = {name: [] for name in METHODS}
    for _ in range(rides):
        rider = next(source)
        pair = ride_pair(rng, rider, *random_meters(rng, unlike=cell.unlike_smoothing))
        parts = segments_of(pair, rider, cell.segment_s, count)
        series = [ratio_series(p.a_w, p.b_w) for p in parts]
        for name, method in METHODS.items():
            errors[name] += [
                (i.mean - p.true_difference_pct(), i) for i, p in zip(method(series), parts, strict=True) if i.n >= 30
            ]
    return _summary(errors)


def _summary(errors: dict[str, list[tuple[float, MeanInterval]]]) -> Outcome:
    covered, width, short = {}, {}, {}
    for name, found in errors.items():
        told = [(error, i) for error, i in found if not i.too_short]
        covered[name] = _pct(np.array([abs(error) <= i.half_width for error, i in told]))
        width[name] = float(np.median([i.half_width for _, i in told])) if told else float("nan")
        short[name] = _pct(np.array([i.too_short for _, i in found]))
    return Outcome(covered, width, short, len(errors["ride"]))


def _pct(flags: NDArray[np.bool_]) -> float:
    return 100.0 * float(flags.mean()) if flags.size else float("nan")


@dataclass(frozen=True)
class VerdictRates:
    """Shares of the simulated rides, in %: by all segments of a ride together, and by each segment alone."""

    ride_pct: dict[str, float]
    segment_pct: dict[str, float]


def run_verdicts(
    error_in_tolerances: float, rides: int, between_sd_pct: float = 0.3, seed: int = 20261125
) -> VerdictRates:
    """Two meters, claims 1 % each on one side of the chain, 5 steady segments of 180 s at powers of their own.

    `between_sd_pct`: how much the true difference varies from segment to segment (assumed, not measured).
    """
    rng = np.random.default_rng([seed, round(100 * error_in_tolerances)])
    pct = joint_tolerance(1.0, 1.0, 0.0, 200.0).pct
    by_ride, by_segment = [], []
    for _ in range(rides):
        series = []
        for _ in range(5):
            a, b = random_meters(rng, unlike=bool(rng.integers(2)))
            wrong = replace(a, scale_pct=error_in_tolerances * pct + rng.normal(0, between_sd_pct))
            rider = steady_rider(rng, 180 + BETWEEN_S, rng.uniform(150, 280))
            pair = ride_pair(rng, rider, wrong, replace(b, scale_pct=0.0)).part(BETWEEN_S, 180 + BETWEEN_S)
            series.append(ratio_series(pair.a_w, pair.b_w))
        intervals = ride_intervals(series)
        by_ride.append(judge_segments(intervals, pct).word)
        by_segment += [judge_segment(i, pct) for i in intervals]
    return VerdictRates(_shares(by_ride), _shares(by_segment))


def _shares(words: list[Word]) -> dict[str, float]:
    return {word: 100.0 * words.count(word) / len(words) for word in ("agrees", "differs", "undecided")}


def main(rides: int, seed: int) -> None:
    kinds = ["steady", "over-under"] + (["recorded"] if RECORDED.exists() else [])
    print(f"{rides} rides per cell; coverage in %, wanted 95; half-width in % of the reference")
    for kind, segment_s, unlike in product(kinds, SEGMENTS, (False, True)):
        outcome = run_cell(Cell(kind, segment_s, unlike), rides, seed)
        figures = "  ".join(
            f"{name} {outcome.covered_pct[name]:5.1f} ±{outcome.half_width_pct[name]:.2f}"
            f" short {outcome.too_short_pct[name]:3.0f}"
            for name in METHODS
        )
        smoothing = "unlike" if unlike else "alike "
        print(f"{kind:10} {segment_s:4} s {smoothing} ({outcome.segments:6} segments)  {figures}", flush=True)
    print(f"{rides} rides per error; verdicts in %; tolerance from two claims of 1 %")
    for error in (0.0, 0.5, 1.0, 1.5, 2.0):
        rates = run_verdicts(error, rides, seed=seed)
        told = "  ".join(f"{w} {rates.ride_pct[w]:5.1f} ({rates.segment_pct[w]:5.1f})" for w in rates.ride_pct)
        print(f"error {error:3.1f} of the tolerance, ride (single segment): {told}", flush=True)


if __name__ == "__main__":
    main(*(int(given) for given in (sys.argv[1:] + ["2000", "20261125"][len(sys.argv) - 1 :])))
