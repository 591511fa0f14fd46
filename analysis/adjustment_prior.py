"""Knows what is believed of a meter before it is compared: sound within its claim, or with some chance faulty."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.bench_model import REFERENCE_TORQUE_NM
from analysis.samples import Floats

# A claim of 0 would make a meter the measure of all others.
LEAST_CLAIM_PCT = 0.1
FAULTY_CHANCE = 0.1
LEAST_SOUND_CHANCE = 0.3
FAULTY_CLAIMS = 3.0
# The same 3 claims at the reference torque, in sds of a sound zero offset.
FAULTY_ZERO_SDS = FAULTY_CLAIMS * 2 * math.sqrt(2)
# Combinations that the evidence makes e^7 times less likely than the best are not followed further, nor more than
# so many of one size.
WINDOW = 7.0
MOST_FOLLOWED = 40
MOST_KEPT = 400

Combination = frozenset[int]


@dataclass(frozen=True)
class ClaimPrior:
    """Standard deviations of a meter's own errors; scale and zero offset take half of the claim's variance each.

    A claim is a 95 % limit at the reference torque: sd = claim/2, and of each part claim/(2·√2). In a faulty meter
    one of the two has (3·claim)² of variance on top.
    """

    claim_pct: float

    @property
    def scale_sd_pct(self) -> float:
        return self._claim_pct / (2 * math.sqrt(2))

    @property
    def faulty_sd_pct(self) -> float:
        return math.hypot(self.scale_sd_pct, FAULTY_CLAIMS * self._claim_pct)

    @property
    def offset_sd_nm(self) -> float:
        return REFERENCE_TORQUE_NM * self.scale_sd_pct / 100

    @property
    def _claim_pct(self) -> float:
        return max(self.claim_pct, LEAST_CLAIM_PCT)


@dataclass(frozen=True)
class Suspects:
    """What may be faulty: the scale of each of `meters`, then each zero offset (number of its ride, of its meter)."""

    meters: int
    mounted: Sequence[tuple[int, int]]

    @property
    def count(self) -> int:
        return self.meters + len(self.mounted)

    def log_weight(self, faults: int) -> float:
        """Prior weight of one combination of so many faults, as a logarithm; not normalised.

        All sound: 1 − 0.1·n, at least 0.3. One meter faulty: 0.1 each, half for its scale and half for a zero offset.
        Every further fault at odds of half of 0.1 to 0.9.
        """
        if faults == 0:
            return math.log(max(1 - FAULTY_CHANCE * self.meters, LEAST_SOUND_CHANCE))
        further = math.log(FAULTY_CHANCE / 2 / (1 - FAULTY_CHANCE))
        return math.log(FAULTY_CHANCE / 2) + (faults - 1) * further

    def possible(self, faults: Combination) -> bool:
        """Of one ride, fewer than half of the meters; of many, of the scales and of each ride's zero offsets.

        Were it more, the sound ones could not be told from the others. At least one of each is considered.
        """
        scales = {f for f in faults if f < self.meters}
        zeros = [self.mounted[f - self.meters] for f in faults if f >= self.meters]
        if self._mounted_in.keys() == {0}:
            return len(scales | {meter for _, meter in zeros}) <= most_faulty(self.meters)
        in_ride = Counter(ride for ride, _ in zeros)
        return len(scales) <= most_faulty(self.meters) and all(
            count <= most_faulty(self._mounted_in[ride]) for ride, count in in_ride.items()
        )

    @cached_property
    def _mounted_in(self) -> Counter[int]:
        return Counter(ride for ride, _ in self.mounted)


def most_faulty(meters: int) -> int:
    return max(1, (meters - 1) // 2)


def likely_combinations(
    suspects: Suspects, log_evidence_of_one_more: Callable[[Combination], tuple[float, Floats]]
) -> dict[Combination, float]:
    """Probabilities of the combinations of faults worth keeping, most likely first; they add up to 1.

    `log_evidence_of_one_more(c)` gives the log evidence of c, and those of c with each other fault added (nan for its
    own). All single faults are counted; larger combinations grow from those within the window of the best (Madigan
    and Raftery 1994), so that few meters are enumerated almost completely and a thousand rides stay feasible.
    """
    alone, singles = log_evidence_of_one_more(frozenset())
    found: dict[Combination, float] = {frozenset(): alone + suspects.log_weight(0)}
    layer = {frozenset({i}): float(singles[i]) + suspects.log_weight(1) for i in range(suspects.count)}
    while layer:
        found |= layer
        best = max(found.values())
        followed = sorted((c for c, w in layer.items() if w >= best - WINDOW), key=lambda c: -layer[c])
        grown: dict[Combination, float] = {}
        for combination in followed[:MOST_FOLLOWED]:
            _, more = log_evidence_of_one_more(combination)
            weights = more + suspects.log_weight(len(combination) + 1)
            floor = max(best, float(np.nanmax(weights))) - WINDOW
            near = [int(i) for i in np.argsort(-weights)[:MOST_FOLLOWED] if weights[i] >= floor]
            added = {combination | {i}: float(weights[i]) for i in near}
            grown |= {c: w for c, w in added.items() if c not in grown and suspects.possible(c)}
        layer = grown
    return _normalised(found)


def _normalised(log_weights: dict[Combination, float]) -> dict[Combination, float]:
    kept = sorted(log_weights.items(), key=lambda item: -item[1])[:MOST_KEPT]
    weights = np.exp(np.array([w for _, w in kept]) - kept[0][1])
    return dict(zip((c for c, _ in kept), (weights / weights.sum()).tolist(), strict=True))
