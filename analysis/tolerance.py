"""Knows what two meters are expected to read against each other, and how much apart their claims let them be."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from analysis.mean_interval import MeanInterval

Place = Literal["pedals", "crank", "spider", "chainring", "hub", "trainer"]
BEHIND_THE_CHAIN: frozenset[str] = frozenset({"hub", "trainer"})


@dataclass(frozen=True)
class ChainLoss:
    """Loss from crank to rear hub: a share of the power and a drag, with standard deviations.

    The share's default covers a clean derailleur chain at usual loads (Smit and others, Sports Engineering 2023:
    2.1 ± 1.5 %). Without its own figure the drag is part of that share.
    """

    loss_pct: float = 2.5
    loss_sd_pct: float = 1.0
    drag_nm: float = 0.0
    drag_sd_nm: float = 0.0

    def total_pct(self, crank_torque_nm: float) -> float:
        """Loss at a torque: loss + drag/torque. Raises ValueError where drag meets no torque."""
        return self.loss_pct + self._as_pct(self.drag_nm, crank_torque_nm)

    def total_sd_pct(self, crank_torque_nm: float) -> float:
        return math.hypot(self.loss_sd_pct, self._as_pct(self.drag_sd_nm, crank_torque_nm))

    @staticmethod
    def _as_pct(drag_nm: float, crank_torque_nm: float) -> float:
        if drag_nm == 0:
            return 0.0
        if not crank_torque_nm > 0:
            raise ValueError(f"a drag of {drag_nm} N·m is no share of a torque of {crank_torque_nm} N·m")
        return 100.0 * drag_nm / crank_torque_nm


@dataclass(frozen=True)
class Expectation:
    """What a meter should read over the reference, and the doubt that the chain adds to it."""

    ratio: float
    loss_sd_pct: float  # 0 on the same side of the chain

    def away_pct(self, difference_pct: float) -> float:
        """The difference from the reference, less what the chain explains, in % of the expected reading."""
        return 100.0 * ((1 + difference_pct / 100) / self.ratio - 1)

    def away_interval(self, difference_pct: MeanInterval) -> MeanInterval:
        """The same for an interval. The doubt of the loss stays out of it: it is in the tolerance, once."""
        return replace(
            difference_pct,
            mean=self.away_pct(difference_pct.mean),
            half_width=difference_pct.half_width / self.ratio,
            long_run_variance=difference_pct.long_run_variance / self.ratio**2,
        )


@dataclass(frozen=True)
class Tolerance:
    """`pct` of the reference decides; it is the larger of the claims' part and the floor."""

    pct: float
    claims_pct: float
    floor_pct: float


def expected(place: str, reference_place: str, loss: ChainLoss, crank_torque_nm: float) -> Expectation:
    """Ratio 1 on the same side of the chain, (1 − loss) behind it, 1/(1 − loss) for a meter before it."""
    behind, reference_behind = place in BEHIND_THE_CHAIN, reference_place in BEHIND_THE_CHAIN
    if behind == reference_behind:
        return Expectation(1.0, 0.0)
    passed = 1.0 - loss.total_pct(crank_torque_nm) / 100.0
    return Expectation(passed if behind else 1.0 / passed, loss.total_sd_pct(crank_torque_nm))


def root_sum_square(*parts: float) -> float:
    return math.hypot(*parts)


def worst_case(*parts: float) -> float:
    return math.fsum(abs(part) for part in parts)


def joint_tolerance(
    claim_pct: float,
    reference_claim_pct: float,
    loss_sd_pct: float,
    reference_power_w: float,
    floor_w: float = 2.0,
    combine: Callable[..., float] = root_sum_square,
) -> Tolerance:
    """sqrt(claim₁² + claim₂² + (2·s_loss)²), at least `floor_w`; claims are read as 95 % limits (JCGM 100:2008, 6.3).

    `combine=worst_case` adds the parts. Raises ValueError where the reference reads nothing.
    """
    if not reference_power_w > 0:
        raise ValueError(f"no tolerance in % of a reference at {reference_power_w} W")
    claims = combine(claim_pct, reference_claim_pct, 2.0 * loss_sd_pct)
    floor = 100.0 * floor_w / reference_power_w
    return Tolerance(max(claims, floor), claims, floor)


def en_number(difference: float, expanded: float, reference_expanded: float) -> float:
    """difference / sqrt(U₁² + U₂²), U at 95 %; beyond ±1 asks for action (ISO 13528:2015, 9.7). No verdict."""
    return difference / math.hypot(expanded, reference_expanded)
