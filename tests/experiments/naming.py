"""Knows how often the meter that is off is named, rightly or wrongly, and whether the intervals keep their promise.

Run `python -m tests.experiments.naming [BENCHES [SEED]]` (500 simulated benches per cell unless said).
"""

# ruff: noqa: T201 - printing its table is what an experiment is for

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from typing import Literal

import numpy as np

from analysis.adjustment import Adjustment, adjust
from analysis.adjustment_prior import FAULTY_ZERO_SDS, ClaimPrior, Suspects
from analysis.bench_model import REFERENCE_TORQUE_NM, MountedMeter, Reading, RideObservations, SegmentReadings
from analysis.samples import Floats
from analysis.tolerance import ChainLoss

# Ten steps between 120 and 300 W and 60 and 105 rpm.
POWER_W = np.array([120, 150, 200, 200, 250, 250, 300, 300, 180, 220.0])
CADENCE_RPM = np.array([60, 95, 65, 105, 62, 100, 70, 90, 60, 85.0])
# What each meter strays from segment to segment, and its noise within one. Assumed, not measured.
BETWEEN_PCT, WITHIN_PCT = 0.25, 0.15
FRONT = ("Alder", "Birch", "Dogwood", "Fir", "Hazel")
TRAINER = "Cedar"


@dataclass(frozen=True)
class Layout:
    """`front` meters before the chain; behind it a trainer, if `loss_sd_pct` is given."""

    front: int
    loss_sd_pct: float | None = None
    claims_pct: tuple[float, ...] = ()
    reference: str = FRONT[0]

    @property
    def meters(self) -> tuple[MountedMeter, ...]:
        names = FRONT[: self.front] + (() if self.loss_sd_pct is None else (TRAINER,))
        claims = self.claims_pct or (1.0,) * len(names)
        return tuple(MountedMeter(n, n, n == TRAINER, c) for n, c in zip(names, claims, strict=True))

    @property
    def words(self) -> str:
        trainer = "" if self.loss_sd_pct is None else f" + trainer, loss ± {2 * self.loss_sd_pct:g} %"
        claims = f", claims {' '.join(f'{c:g}' for c in self.claims_pct)}" if self.claims_pct else ""
        return f"{self.front}{trainer}{claims}"


LAYOUTS = (
    Layout(2),
    Layout(1, 1.0),
    Layout(3),
    Layout(4),
    Layout(5),
    Layout(2, 1.0),
    Layout(2, 0.4),
    Layout(2, 0.15),
    Layout(3, 1.0),
    Layout(3, 0.4),
    Layout(4, 1.0),
    Layout(4, 0.4),
    Layout(3, 1.0, (1.0, 1.5, 2.0, 2.0)),
)
KINDS: tuple[Literal["scale", "zero"], ...] = ("scale", "zero")
SIZES = (0.0, 1.0, 1.5, 2.0, 3.0, 4.0)


@dataclass(frozen=True)
class OddError:
    """What is wrong with the odd one: `kind` is where the error sits, `behind` on which side of the chain it is."""

    claims: float
    kind: Literal["scale", "zero"] = "scale"
    behind: bool = False


@dataclass(frozen=True)
class Errors:
    """The truth of one bench."""

    scale_pct: Mapping[str, float]
    offset_nm: Mapping[str, float]
    loss_pct: float
    faulty: frozenset[str] = field(default_factory=frozenset)

    def error_pct(self, name: str) -> float:
        """At the reference torque."""
        return self.scale_pct[name] + 100 * self.offset_nm[name] / REFERENCE_TORQUE_NM


def sound(layout: Layout, rng: np.random.Generator) -> Errors:
    priors = {m.name: ClaimPrior(m.claim_pct) for m in layout.meters}
    return Errors(
        {name: float(p.scale_sd_pct * rng.standard_normal()) for name, p in priors.items()},
        {name: float(p.offset_sd_nm * rng.standard_normal()) for name, p in priors.items()},
        2.5 + (layout.loss_sd_pct or 0.0) * float(rng.standard_normal()),
    )


def of_the_mixture(layout: Layout, rng: np.random.Generator) -> Errors:
    """Sound and faulty ones as often as the prior says."""
    n = len(layout.meters)
    suspects = Suspects(n, [(0, number) for number in range(n)])
    sets = [c for size in range(n + 1) for c in combinations(range(2 * n), size) if suspects.possible(frozenset(c))]
    weight = np.exp([suspects.log_weight(len(c)) for c in sets])
    chosen = sets[int(rng.choice(len(sets), p=weight / weight.sum()))]
    errors = sound(layout, rng)
    scale, offset = dict(errors.scale_pct), dict(errors.offset_nm)
    for fault in chosen:
        meter = layout.meters[fault % n]
        if fault < n:
            scale[meter.name] += 3 * meter.claim_pct * float(rng.standard_normal())
        else:
            sd_nm = FAULTY_ZERO_SDS * ClaimPrior(meter.claim_pct).offset_sd_nm
            offset[meter.name] += sd_nm * float(rng.standard_normal())
    return Errors(scale, offset, errors.loss_pct, frozenset(layout.meters[f % n].name for f in chosen))


def with_odd_one(layout: Layout, odd: str, error: OddError, rng: np.random.Generator) -> Errors:
    """Its error at the reference torque is exactly so many of its claims, high or low; the others are sound."""
    errors = sound(layout, rng)
    claim = next(m.claim_pct for m in layout.meters if m.name == odd)
    wanted = error.claims * claim * float(rng.choice((-1, 1)))
    scale, offset = dict(errors.scale_pct), dict(errors.offset_nm)
    if error.kind == "scale":
        scale[odd] = wanted - 100 * offset[odd] / REFERENCE_TORQUE_NM
    else:
        offset[odd] = (wanted - scale[odd]) * REFERENCE_TORQUE_NM / 100
    return Errors(scale, offset, errors.loss_pct, frozenset({odd}))


def simulated_ride(layout: Layout, errors: Errors, rng: np.random.Generator) -> RideObservations:
    """Each step read by every meter, with scatter of its own."""
    angular = CADENCE_RPM * math.pi / 30
    read: dict[str, Floats] = {}
    for meter in layout.meters:
        passed = 1 - errors.loss_pct / 100 if meter.behind_chain else 1.0
        stray = math.hypot(BETWEEN_PCT, WITHIN_PCT) * rng.standard_normal(POWER_W.size)
        at_sensor = POWER_W * passed * (1 + errors.scale_pct[meter.name] / 100) * (1 + stray / 100)
        read[meter.name] = at_sensor + angular * errors.offset_nm[meter.name]
    base = read[layout.reference]
    segments = tuple(
        SegmentReadings(
            f"step {k + 1}",
            float(base[k] / angular[k]),
            {
                name: Reading(100 * float(watts[k] / base[k] - 1), 2 * WITHIN_PCT**2)
                for name, watts in read.items()
                if name != layout.reference
            },
        )
        for k in range(POWER_W.size)
    )
    chain = ChainLoss(2.5, layout.loss_sd_pct or 0.0)
    return RideObservations("ride", layout.reference, layout.meters, segments, chain)


@dataclass(frozen=True)
class Cell:
    """Counts over benches. `covered` of `intervals`; named `right` (one of the faulty) or `wrong`."""

    benches: int
    intervals: int
    covered: int
    right: int
    wrong: int

    @property
    def coverage_pct(self) -> float:
        return 100 * self.covered / self.intervals

    @property
    def right_pct(self) -> float:
        return 100 * self.right / self.benches

    @property
    def wrong_pct(self) -> float:
        return 100 * self.wrong / self.benches


def tally(results: Sequence[tuple[Errors, Adjustment]]) -> Cell:
    covered = sum(u.low_pct <= e.error_pct(u.name) <= u.high_pct for e, a in results for u in a.units)
    named = [(a.named, e.faulty) for e, a in results if a.named is not None]
    right = sum(name in faulty for name, faulty in named)
    return Cell(len(results), sum(len(a.units) for _, a in results), covered, right, len(named) - right)


def mixture_cell(layout: Layout, benches: int, seed: int) -> Cell:
    rng = np.random.default_rng(seed)
    errors = [of_the_mixture(layout, rng) for _ in range(benches)]
    return tally([(e, adjust([simulated_ride(layout, e, rng)])) for e in errors])


def odd_cell(layout: Layout, error: OddError, benches: int, seed: int) -> Cell:
    """The odd one is any of those on its side of the chain in turn; at 0 claims nobody is odd."""
    rng = np.random.default_rng(seed)
    side = [m.name for m in layout.meters if m.behind_chain == error.behind]
    results = []
    for number in range(benches):
        odd = side[number % len(side)]
        errors = sound(layout, rng) if error.claims == 0 else with_odd_one(layout, odd, error, rng)
        results.append((errors, adjust([simulated_ride(layout, errors, rng)])))
    return tally(results)


def table(benches: int, seed: int) -> Iterator[str]:
    yield f"{benches} benches per cell, seed {seed}; named right / wrong in %, by the odd one's error in claims"
    yield f"{'meters before the chain':<42}{'odd one':<16}{'cover':>6}" + "".join(f"{s:>13g}" for s in SIZES)
    for row, layout in enumerate(LAYOUTS):
        own_seed = seed + 1000 * row
        coverage = f"{mixture_cell(layout, benches, own_seed).coverage_pct:.1f}"
        for behind, kind in product((False, True)[: 1 if layout.loss_sd_pct is None else 2], KINDS):
            cells = []
            for size in SIZES:
                own_seed += 1
                cells.append(odd_cell(layout, OddError(size, kind, behind), benches, own_seed))
            found = "".join(f"{f'{c.right_pct:.1f} / {c.wrong_pct:.1f}':>13}" for c in cells)
            where = f"{'trainer' if behind else 'before'}, {kind}"
            yield f"{layout.words:<42}{where:<16}{coverage:>6}{found}"


def main(arguments: Sequence[str]) -> None:
    benches, seed = (*(int(a) for a in arguments), *(500, 1)[len(arguments) :])
    for line in table(benches, seed):
        print(line, flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
