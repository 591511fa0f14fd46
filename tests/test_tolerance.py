"""What meters are expected to read, and how far apart their claims let them be."""

from __future__ import annotations

import math

import pytest

from analysis.mean_interval import iid_interval
from analysis.tolerance import (
    ChainLoss,
    en_number,
    expected,
    joint_tolerance,
    root_sum_square,
    worst_case,
)

CHAIN = ChainLoss()


def test_one_side_of_the_chain_expects_equal_readings() -> None:
    assert expected("pedals", "spider", CHAIN, 25.0).ratio == 1.0
    assert expected("trainer", "hub", CHAIN, 25.0).loss_sd_pct == 0.0


def test_behind_the_chain_less_is_expected_and_before_it_more() -> None:
    behind, before = expected("trainer", "pedals", CHAIN, 25.0), expected("pedals", "trainer", CHAIN, 25.0)
    assert behind.ratio == pytest.approx(0.975)
    assert behind.ratio * before.ratio == pytest.approx(1.0)
    assert before.loss_sd_pct == 1.0


def test_the_chain_explains_its_part() -> None:
    # Common practice, no published source: a trainer 2 to 3 % below the pedals agrees once the chain is counted.
    away = expected("trainer", "pedals", CHAIN, 25.0).away_pct(-2.6)
    assert away == pytest.approx(-0.1, abs=0.01)


def test_interval_of_what_the_chain_does_not_explain() -> None:
    seen = iid_interval([-2.0, -3.0, -2.5, -2.9])
    away = expected("trainer", "pedals", CHAIN, 25.0).away_interval(seen)
    assert away.low == pytest.approx(100 * ((1 + seen.low / 100) / 0.975 - 1))
    assert away.half_width**2 / away.long_run_variance == pytest.approx(seen.half_width**2 / seen.long_run_variance)


def test_drag_weighs_more_at_low_torque() -> None:
    chain = ChainLoss(2.0, 0.6, drag_nm=0.25, drag_sd_nm=0.2)
    assert chain.total_pct(25.0) == pytest.approx(3.0)
    assert chain.total_pct(12.5) == pytest.approx(4.0)
    assert chain.total_sd_pct(25.0) == pytest.approx(1.0)
    with pytest.raises(ValueError, match="no share"):
        chain.total_pct(0.0)


def test_joint_tolerance() -> None:
    # sqrt(1 + 1), sqrt(1 + 4) and sqrt(1 + 1 + 4) [arithmetic].
    assert joint_tolerance(1, 1, 0, 300).pct == pytest.approx(math.sqrt(2))
    assert joint_tolerance(1, 2, 0, 300).pct == pytest.approx(math.sqrt(5))
    assert joint_tolerance(1, 1, 1, 300).pct == pytest.approx(math.sqrt(6))
    assert joint_tolerance(1, 1, 1, 300, combine=worst_case).pct == pytest.approx(4.0)


def test_below_the_floor_watts_decide() -> None:
    low = joint_tolerance(1, 1, 0, 80)
    assert low.pct == low.floor_pct == pytest.approx(2.5)
    assert joint_tolerance(1, 1, 0, 80, floor_w=0).pct == pytest.approx(math.sqrt(2))
    with pytest.raises(ValueError, match="no tolerance"):
        joint_tolerance(1, 1, 0, 0)


def test_parts_combine_as_in_the_guide() -> None:
    # JCGM 100:2008, H.1, end gauge: 25, 9.7, 2.9 and 16.6 nm combine to 32 nm (31.6711 before rounding).
    assert root_sum_square(25, 9.7, 2.9, 16.6) == pytest.approx(31.6711, abs=5e-5)


def test_en_number() -> None:
    # 3 over sqrt(1.5² + 2²) = 2.5 [arithmetic].
    assert en_number(-3.0, 1.5, 2.0) == pytest.approx(-1.2)
