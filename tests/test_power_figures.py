"""Figures of one meter against arithmetic and a brute-force search."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.grid import HeldSignal
from analysis.power_figures import (
    greatest_mean_w,
    greatest_sample_w,
    left_and_right_w,
    pedalling_seconds,
    pulse_work_j,
    quartic_mean_w,
    silence_at_rest_as_zero,
    torque_nm,
    work_j,
)

S = 10**9


@pytest.mark.parametrize(
    ("cadence_rpm", "torque", "power_w"),
    # P = torque·2π·cadence/60 [arithmetic].
    [(90, 25, 235.61944901923448), (60, 40, 251.32741228718345), (100, -0.5, -5.235987755982989)],
)
def test_torque(cadence_rpm: float, torque: float, power_w: float) -> None:
    assert torque_nm(power_w, cadence_rpm) == pytest.approx(torque, rel=1e-14)


def test_torque_at_rest_is_unknown() -> None:
    assert np.isnan(torque_nm([0.0, 100.0], [0.0, math.nan])).all()


def test_sides() -> None:
    # 48.5 % left of 300 W; a left-only meter that doubles would report 291 W [arithmetic].
    left, right = left_and_right_w(300, 48.5)
    assert (float(left), float(right)) == pytest.approx((145.5, 154.5))
    assert 2 * left == pytest.approx(291)


@pytest.mark.parametrize(
    ("power_w", "expected_w"),
    [
        (np.full(600, 200.0), 200.0),
        # 600 s at 100 W, then 600 s at 300 W, whole windows only: computed from the definition in Allen & Coggan's
        # book [definition from memory].
        (np.repeat([100.0, 300.0], 600), 252.3780021995245),
    ],
)
def test_quartic_mean(power_w: np.ndarray, expected_w: float) -> None:
    assert quartic_mean_w(power_w) == pytest.approx(expected_w, rel=1e-12)


def test_quartic_mean_leaves_out_windows_with_a_gap() -> None:
    power = np.concatenate((np.full(60, 100.0), [math.nan], np.full(60, 100.0)))
    assert quartic_mean_w(power) == pytest.approx(100)
    assert math.isnan(quartic_mean_w(np.full(29, 100.0)))
    assert math.isnan(quartic_mean_w(np.full(100, math.nan)))


samples = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 900).map(float)), max_size=10, unique_by=lambda sample: sample[0]
)


@given(samples, st.integers(1, 12), st.integers(1, 15))
def test_greatest_mean_equals_a_search_of_every_window(
    given_samples: list[tuple[int, float]], window: int, hold: int
) -> None:
    instants, values = zip(*given_samples, strict=True) if given_samples else ((), ())
    signal = HeldSignal(instants, values, hold)
    found = []
    for begin in range(2, 38 - window + 1):
        held = signal.between([begin, begin + window])
        if held.fresh_ns[0] == window:
            found.append(held.value_ns[0] / window)
    greatest = greatest_mean_w(signal, window, 2, 38)
    assert greatest == pytest.approx(max(found), rel=1e-15) if found else math.isnan(greatest)


def test_greatest_mean_does_not_depend_on_a_grid() -> None:
    # A surge of 5 s that begins at 2.4 s fills a window of 5 s, though no whole second of a grid.
    signal = HeldSignal([0, 2_400_000_000, 7_400_000_000], [200.0, 800.0, 200.0], 10 * S)
    assert greatest_mean_w(signal, 5 * S, 0, 15 * S) == 800
    assert greatest_mean_w(signal, S, 3 * S, 8 * S) == 800
    assert math.isnan(greatest_mean_w(signal, 30 * S, 0, 15 * S))


def test_greatest_sample_inside_the_segment() -> None:
    assert greatest_sample_w([0, S, 2 * S, 3 * S], [900.0, 400.0, math.nan, 950.0], S, 3 * S) == 400
    assert math.isnan(greatest_sample_w([], [], 0, S))


def test_work_of_the_fresh_part_only() -> None:
    signal = HeldSignal([0, 10 * S], [200.0, 100.0], 2 * S)
    assert work_j(signal, S, 11 * S) == 300


def test_silence_counts_as_zero_only_at_rest() -> None:
    filled = silence_at_rest_as_zero([100, math.nan, math.nan, math.nan], [90, 0, 90, math.nan])
    np.testing.assert_array_equal(filled, [100, 0, math.nan, math.nan])


def test_pulse_work_takes_in_what_slow_meters_report_late() -> None:
    seconds = np.arange(30)
    power = np.where((seconds >= 8) & (seconds < 14), 900.0, 100.0)
    signal = HeldSignal(seconds * S, power, 2 * S)
    late = HeldSignal((seconds + 2) * S, power, 2 * S)
    # 6 s at 900 W and 11 s at 100 W.
    assert pulse_work_j(signal, 8 * S, 14 * S) == pulse_work_j(late, 8 * S, 14 * S) == 6500
    holed = HeldSignal(np.delete(seconds, slice(9, 13)) * S, np.delete(power, slice(9, 13)), 2 * S)
    assert math.isnan(pulse_work_j(holed, 8 * S, 14 * S))


def test_seconds_well_within_pedalling() -> None:
    cadence = [90.0] * 12 + [0.0] + [90.0] * 6 + [math.nan] + [90.0] * 7
    assert np.flatnonzero(pedalling_seconds(cadence)).tolist() == [*range(7), 18, *range(20, 27)]
    assert pedalling_seconds([]).size == 0


def test_a_short_hole_in_the_cadence_costs_its_own_seconds_and_a_long_one_is_rest() -> None:
    cadence = np.full(60, 90.0)
    cadence[20:22] = np.nan  # a lost packet or two
    assert np.flatnonzero(~pedalling_seconds(cadence)).tolist() == [20, 21]
    cadence[30:45] = np.nan  # a sensor that is silent while nobody pedals
    assert np.flatnonzero(~pedalling_seconds(cadence)).tolist() == [20, 21, *range(25, 50)]
