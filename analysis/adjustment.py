"""Knows who is off: each meter's own error from all comparisons at once, and how likely it lies outside its claim."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from analysis.adjustment_mixture import Mixture
from analysis.adjustment_prior import Combination, Suspects, likely_combinations
from analysis.adjustment_solver import Solution
from analysis.adjustment_sums import Key, Layout, fold, key_numbers, layout_of, measured_scales, misfit
from analysis.bench_model import MountedMeter, RideObservations
from analysis.mean_interval import student_t
from analysis.samples import Floats

LEAST_METERS = 3
NAMED_ABOVE = 0.9
LEAST_CHANCE = 0.01
NORMAL_95 = student_t(0.975, math.inf)


@dataclass(frozen=True)
class Share:
    """How much the word of another meter counts in the measure that one is held against; all together make 1."""

    unit: str
    epoch: str
    share: float


@dataclass(frozen=True)
class UnitError:
    """One unit with one firmware. `error_pct` is scale and mean zero offset at 21 N·m, with its 95 % interval.

    Behind the chain `offset_nm` is the zero offset less the chain's drag: the two cannot be told apart.
    `probability_faulty` is that of a faulty scale, or of a faulty zero offset in most of its rides. `others_see_pct`
    is its error if nothing were claimed for it and all the others were sound, `measured_by` by whose word. `linked`
    counts the different units that rides link it with, itself included.
    """

    name: str
    unit: str
    epoch: str
    claim_pct: float
    behind_chain: bool
    rides: int
    linked: int
    error_pct: float
    low_pct: float
    high_pct: float
    scale_pct: float
    scale_half_width_pct: float
    offset_nm: float
    offset_half_width_nm: float
    probability_outside: float
    probability_faulty: float
    others_see_pct: float
    others_see_half_width_pct: float
    measured_by: tuple[Share, ...]

    @property
    def key(self) -> Key:
        return self.unit, self.epoch

    @property
    def named(self) -> bool:
        """With two meters the odd one cannot be known, whatever their difference."""
        sure = min(self.probability_faulty, self.probability_outside) > NAMED_ABOVE
        return sure and self.linked >= LEAST_METERS


@dataclass(frozen=True)
class Difference:
    """By how much the scale of one epoch lies above another's, from readings alone: no claim speaks here.

    A share of what both read; zero offsets and chains come in as what they may do to it.
    """

    unit: str
    epoch: str
    other: str
    other_epoch: str
    difference_pct: float
    half_width_pct: float


@dataclass(frozen=True)
class ZeroFault:
    """One meter's zero offset in one ride that is more likely faulty than sound."""

    ride: str
    name: str
    unit: str
    epoch: str
    probability: float


@dataclass(frozen=True)
class Adjustment:
    """`birge_ratio` is sqrt(χ²/degrees of freedom): far above 1, the readings contradict each other (Birge 1932).

    `named` is the meter that is off, None where the evidence does not carry a name; `named_epoch` its firmware.
    """

    units: tuple[UnitError, ...]
    differences: tuple[Difference, ...]
    zero_faults: tuple[ZeroFault, ...]
    probability_all_sound: float
    chi2: float
    degrees_of_freedom: int
    birge_ratio: float
    rides: int
    named: str | None
    named_epoch: str | None

    @property
    def consistent(self) -> bool:
        """Whether so large a χ² would come by chance in 1 of 100 or more."""
        return self.degrees_of_freedom <= 0 or float(chdtrc(self.degrees_of_freedom, self.chi2)) >= LEAST_CHANCE

    def unit(self, unit: str, epoch: str = "") -> UnitError:
        """Raises KeyError where there is none."""
        for u in self.units:
            if u.key == (unit, epoch):
                return u
        raise KeyError((unit, epoch))

    def difference(self, one: Key, other: Key) -> Difference | None:
        """None where no rides link them."""
        for d in self.differences:
            if ((d.unit, d.epoch), (d.other, d.other_epoch)) == (one, other):
                return d
            if ((d.other, d.other_epoch), (d.unit, d.epoch)) == (one, other):
                turned = 100 * (1 / (1 + d.difference_pct / 100) - 1)
                return Difference(*one, *other, turned, d.half_width_pct)
        return None


def adjust(observations: Sequence[RideObservations]) -> Adjustment:
    """All rides at once; the readings of a ride are held against those of any ride that shares a unit with it.

    Raises ValueError without any reading. Cost: linear in rides (their readings cubed), cubic in units.
    """
    told = [ride for ride in observations if any(s.readings for s in ride.segments)]
    if not told:
        raise ValueError("an adjustment needs at least one reading against a reference")
    layout = layout_of(told)
    folded = fold(told, layout)
    solution = Solution(folded)
    suspects = Suspects(len(layout.epochs), layout.mounted)
    likely = likely_combinations(suspects, solution.log_evidence_of_one_more)
    group = _groups(told, layout)
    units = tuple(_units(layout, solution, likely, group))
    chi2, freedom = misfit(folded, len(set(group)))
    ratio = math.sqrt(chi2 / freedom) if freedom > 0 else math.nan
    named = max((u for u in units if u.named), key=lambda u: u.probability_faulty, default=None)
    return Adjustment(
        units=units,
        differences=tuple(_differences(layout, *measured_scales(folded), group, max(ratio, 1.0))),
        zero_faults=tuple(_zero_faults(layout, likely, told)),
        probability_all_sound=likely.get(frozenset(), 0.0),
        chi2=chi2,
        degrees_of_freedom=freedom,
        birge_ratio=ratio,
        rides=len(told),
        named=None if named is None else named.unit,
        named_epoch=None if named is None else named.epoch,
    )


def _groups(observations: Sequence[RideObservations], layout: Layout) -> list[int]:
    """For each epoch the number of its group: those that rides link, directly or through others."""
    number = key_numbers(layout)
    leader = list(range(len(number)))

    def lead(n: int) -> int:
        while leader[n] != n:
            leader[n] = n = leader[leader[n]]
        return n

    for ride in observations:
        first, *rest = (lead(number[m.key]) for m in ride.meters)
        for other in rest:
            leader[lead(other)] = lead(first)
    return [lead(n) for n in range(len(leader))]


def _units(
    layout: Layout,
    solution: Solution,
    likely: Mapping[Combination, float],
    group: Sequence[int],
) -> list[UnitError]:
    weight = np.array(list(likely.values()))
    posteriors = [solution.posterior(c) for c in likely]
    errors = Mixture.of(weight, [p.errors for p in posteriors])
    scales = Mixture.of(weight, [p.scales for p in posteriors])
    offsets = Mixture.of(weight, [p.offsets for p in posteriors])
    seen, shares = solution.seen_by_others()
    claim = np.array([m.claim_pct for m in layout.epochs])
    outside = 1 - errors.below(100 * np.log1p(claim / 100)) + errors.below(100 * np.log1p(-claim / 100))
    low, high = errors.quantile(0.025), errors.quantile(0.975)
    scale_wide, offset_wide = scales.half_width(), offsets.half_width()
    rides = Counter(epoch for _, epoch in layout.mounted)
    faulty = _faulty(layout, likely, rides)
    together: dict[int, set[str]] = {g: set() for g in group}
    for meter, g in zip(layout.epochs, group, strict=True):
        together[g].add(meter.unit)
    return [
        UnitError(
            name=meter.name,
            unit=meter.unit,
            epoch=meter.epoch,
            claim_pct=meter.claim_pct,
            behind_chain=meter.behind_chain,
            rides=rides[i],
            linked=len(together[group[i]]),
            error_pct=_pct(errors.middle[i]),
            low_pct=_pct(low[i]),
            high_pct=_pct(high[i]),
            scale_pct=_pct(scales.middle[i]),
            scale_half_width_pct=float(scale_wide[i]),
            offset_nm=float(offsets.middle[i]),
            offset_half_width_nm=float(offset_wide[i]),
            probability_outside=float(np.clip(outside[i], 0.0, 1.0)),
            probability_faulty=float(faulty[i]),
            others_see_pct=_pct(seen.mean[i]),
            others_see_half_width_pct=NORMAL_95 * math.sqrt(max(float(seen.variance[i]), 0.0)),
            measured_by=_measured_by(layout.epochs, shares[i]),
        )
        for i, meter in enumerate(layout.epochs)
    ]


def _faulty(layout: Layout, likely: Mapping[Combination, float], rides: Mapping[int, int]) -> Floats:
    n = len(layout.epochs)
    found = np.zeros(n)
    for combination, probability in likely.items():
        zeros = Counter(layout.mounted[f - n][1] for f in combination if f >= n)
        mostly = {epoch for epoch, count in zeros.items() if 2 * count > rides[epoch]}
        found[list(mostly | {f for f in combination if f < n})] += probability
    return found


def _zero_faults(
    layout: Layout, likely: Mapping[Combination, float], observations: Sequence[RideObservations]
) -> list[ZeroFault]:
    n = len(layout.epochs)
    probability = np.zeros(len(layout.mounted))
    for combination, weight in likely.items():
        probability[[f - n for f in combination if f >= n]] += weight
    found = []
    for number in np.flatnonzero(probability > 0.5):
        ride, epoch = layout.mounted[number]
        meter = layout.epochs[epoch]
        found.append(ZeroFault(observations[ride].ride, meter.name, *meter.key, float(probability[number])))
    return found


def _measured_by(epochs: Sequence[MountedMeter], shares: Floats) -> tuple[Share, ...]:
    """Largest first; what does not count in whole per cent is left out."""
    order = [int(j) for j in np.argsort(-shares) if shares[j] >= 0.005]
    return tuple(Share(epochs[j].unit, epochs[j].epoch, float(shares[j])) for j in order)


def _differences(
    layout: Layout, scales: Floats, covariance: Floats, group: Sequence[int], widen: float
) -> list[Difference]:
    """Each pair that rides link, once."""
    found = []
    for i, one in enumerate(layout.epochs):
        for j in range(i):
            if group[i] != group[j]:
                continue
            variance = float(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j])
            half_width = NORMAL_95 * widen * math.sqrt(max(variance, 0.0))
            other = layout.epochs[j]
            found.append(Difference(*one.key, *other.key, _pct(scales[i] - scales[j]), half_width))
    return found


def _pct(log_pct: float) -> float:
    return 100 * math.expm1(float(log_pct) / 100)
