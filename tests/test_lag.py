"""Lag recovered from mechanically made pairs, and the cases in which it must not be told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.lag import estimate_lag
from tests.experiments.mechanical_pairs import Meter, Rider, notifications, on_grid, over_under_rider, steady_rider

QUARTER_S = 250_000_000


def powers(rider: Rider, meter: Meter, seed: int, late_s: float = 0.0) -> np.ndarray:
    sent = notifications(np.random.default_rng(seed), rider, meter)
    return on_grid(sent, round(rider.power_w.size / 20), QUARTER_S, delay_s=-late_s)


def rider_of(seed: int, seconds: int = 600) -> Rider:
    return over_under_rider(np.random.default_rng(seed), seconds)


@pytest.mark.parametrize("late_s", [-2.0, -0.37, 0.25, 1.1])
def test_injected_lag_is_recovered(late_s: float) -> None:
    # Smoothing and hold look like lag too, so what counts is the change against no injection.
    rider = rider_of(1)
    reference = powers(rider, Meter(), 2)
    smooth = Meter(rate_hz=4.0, turns=None, smoothing_s=1.0)
    without = estimate_lag(powers(rider, smooth, 3), reference)
    found = estimate_lag(powers(rider, smooth, 3, late_s), reference)
    assert found.determined
    assert found.lag_s - without.lag_s == pytest.approx(late_s, abs=0.1)
    assert 0.19 < found.half_width_s < 0.6


def test_lag_is_the_other_way_round_for_the_other_meter() -> None:
    rider = rider_of(4)
    a, b = powers(rider, Meter(turns=None), 5), powers(rider, Meter(), 6, late_s=0.8)
    assert estimate_lag(b, a).lag_s == pytest.approx(-estimate_lag(a, b).lag_s, abs=1e-9)


def test_intervals_cover_the_lag_of_like_meters() -> None:
    rng = np.random.default_rng(7)
    covered = []
    for seed in range(30):
        rider, late_s = rider_of(seed), float(rng.uniform(-1, 1))
        meters = (Meter(rate_hz=4.0), Meter(rate_hz=4.0))
        found = estimate_lag(powers(rider, meters[0], 2 * seed, late_s), powers(rider, meters[1], 2 * seed + 1))
        covered.append(abs(found.lag_s - late_s) <= found.half_width_s)
    assert np.mean(covered) >= 0.9


def test_gaps_do_not_move_the_lag() -> None:
    rider = rider_of(8)
    a, b = powers(rider, Meter(), 9, late_s=0.5), powers(rider, Meter(), 10)
    whole = estimate_lag(a, b)
    a[300:340], b[1500:1600] = np.nan, np.nan
    assert estimate_lag(a, b).lag_s == pytest.approx(whole.lag_s, abs=0.1)


def test_steady_power_tells_no_lag() -> None:
    rng = np.random.default_rng(11)
    a, b = (np.rint(200 + rng.normal(0, 1, 2400)) for _ in range(2))
    assert "steady" in estimate_lag(a, b).why_not


def test_unrelated_powers_tell_no_lag() -> None:
    a, b = powers(rider_of(12), Meter(), 13), powers(steady_rider(np.random.default_rng(14), 600), Meter(), 15)
    found = estimate_lag(a, b)
    assert not found.determined
    assert math.isnan(found.lag_s)
    assert math.isinf(found.half_width_s)


def test_a_peak_at_the_edge_of_the_search_tells_no_lag() -> None:
    rider = rider_of(16)
    a, b = powers(rider, Meter(), 17, late_s=1.5), powers(rider, Meter(), 18)
    assert "no peak" in estimate_lag(a, b, search_s=1.0).why_not
    assert estimate_lag(a, b, search_s=3.0).determined


def test_too_little_in_common_tells_no_lag() -> None:
    rider = rider_of(19, 200)
    a, b = powers(rider, Meter(), 20), powers(rider, Meter(), 21)
    assert estimate_lag(a, b).determined
    a[: 100 * 4] = np.nan
    assert "120 s are needed" in estimate_lag(a, b).why_not
    assert "120 s are needed" in estimate_lag(np.array([]), np.array([])).why_not


def test_different_grids_are_refused() -> None:
    with pytest.raises(ValueError, match="cannot be compared"):
        estimate_lag(np.zeros(10), np.zeros(11))
