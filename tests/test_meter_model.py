"""Checks what meters measure by place and error against arithmetic and published deviations."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pytest

from simulated_sensors.meter_model import Measurement, MeterModel, Place, Sides, Warming, gain_pct, measure
from simulated_sensors.ride import Drivetrain, Ride
from simulated_sensors.rider import Effort, Rider, ride_efforts
from simulated_sensors.seeded_noise import Floats

EVEN_RIDER = Rider(power_slow_pct=0, power_quick_pct=0, cadence_rpm=0, left_share_sd=0)
QUIET: dict[str, Any] = {"noise_pct": 0.0, "wander_pct": 0.0}
TOTAL = MeterModel("spider", "total", noise_pct=0.0, wander_pct=0.0)
STEADY = ride_efforts([Effort(600, 200, 90)], seed=1, after_plan_s=30)
EVEN = ride_efforts([Effort(600, 200, 90)], seed=1, rider=EVEN_RIDER, after_plan_s=30)


def inner(said: Measurement, values: Floats) -> Floats:
    return values[(said.at_s >= 30) & (said.at_s < 590)]


def mean_w(model: MeterModel, ride: Ride = EVEN) -> float:
    said = measure(model, ride, 1, "unit")
    return float(inner(said, said.power_w).mean())


@pytest.mark.parametrize("rate_hz", [0, 1, 4])
@pytest.mark.parametrize("averaging", ["turn", "second"])
@pytest.mark.parametrize(("place", "sides"), [("pedals", "both"), ("spider", "inferred"), ("chainring", "total")])
def test_before_the_chain_a_faultless_meter_reads_the_truth(
    place: Place, sides: Sides, averaging: Literal["turn", "second"], rate_hz: float
) -> None:
    model = replace(TOTAL, place=place, sides=sides, averaging=averaging, rate_hz=rate_hz)
    assert mean_w(model, STEADY) == pytest.approx(STEADY.mean_power_w(30, 590), rel=0.003)


def test_errors_enter_as_the_bench_adjustment_assumes() -> None:
    model = replace(TOTAL, scale_pct=1.5, offset_nm=0.5)
    # Arithmetic: 2 pi x 90 / 60 x 0.5 N m = 4.712 W.
    assert mean_w(model) == pytest.approx(200 * 1.015 + 4.712, abs=0.01)


def test_one_side_doubled_errs_by_twice_its_share_less_one() -> None:
    # Arithmetic: a left share of 48.5 % doubled gives 97 % of the total.
    assert mean_w(MeterModel("crank", "left", **QUIET)) == pytest.approx(200 * 0.97, rel=1e-4)
    assert mean_w(MeterModel("crank", "right", **QUIET)) == pytest.approx(200 * 1.03, rel=1e-4)


def test_a_unit_that_infers_the_split_overstates_it() -> None:
    both = measure(replace(TOTAL, place="pedals", sides="both"), EVEN, 1, "unit")
    inferred = measure(replace(TOTAL, sides="inferred"), EVEN, 1, "unit")
    assert inner(both, both.left_share).mean() == pytest.approx(0.485, abs=0.0005)
    # Half the work of a sine push falls between its zeros as 2 / pi: 0.5 + 2 x 2 / pi x (0.485 - 0.5).
    assert inner(inferred, inferred.left_share).mean() == pytest.approx(0.4809, abs=0.0005)
    assert np.all(measure(TOTAL, EVEN, 1, "unit").left_share == 0.5)


@pytest.mark.parametrize("place", ["hub", "trainer"])
def test_the_chain_takes_its_share_and_its_drag(place: Place) -> None:
    chain = Drivetrain(loss_pct=2.5, drag_nm=0.3)
    ride = ride_efforts([Effort(600, 200, 90)], seed=1, rider=EVEN_RIDER, drivetrain=chain, after_plan_s=30)
    model = MeterModel(place, "total", scale_pct=-2.9, averaging="second", **QUIET)
    # Arithmetic: 0.3 N m at 90 rpm is 2.827 W, lost before the unit's own error.
    behind_w = 200 * 0.975 - 2.827
    assert ride.mean_power_w(30, 590, behind_chain=True) == pytest.approx(behind_w, abs=0.01)
    assert mean_w(model, ride) == pytest.approx(behind_w * 0.971, rel=0.001)


def test_the_usual_chain_is_a_published_one() -> None:
    # Smit et al. 2023, Sports Engineering, doi 10.1007/s12283-023-00439-z: 2.1 +- 1.5 % at 100 to 400 W.
    assert abs(Drivetrain().loss_pct - 2.1) < 1.5


def test_deviations_lie_where_surveyed_meters_lie() -> None:
    # Maier et al. 2017, Int J Sports Med 38:456: 54 meters deviate by -0.9 +- 3.2 % (mean, SD); 95 % of them within:
    low, high = -0.9 - 2 * 3.2, -0.9 + 2 * 3.2
    models = [
        MeterModel("pedals", "both", scale_pct=0.3),
        MeterModel("crank", "left"),
        MeterModel("trainer", "total", scale_pct=-2.9, averaging="second"),
    ]
    for model in models:
        assert low < 100 * (mean_w(model, STEADY) / STEADY.mean_power_w(30, 590) - 1) < high


def test_warming_changes_the_gain_by_its_coefficient() -> None:
    warming = Warming(start_c=10, settled_c=20, memory_s=60)
    model = replace(TOTAL, temperature_pct_per_c=0.1, warming=warming)
    assert gain_pct(model, np.array([0.0, 60.0, 600.0])) == pytest.approx([0, 1 - math.exp(-1), 1.0], abs=1e-3)
    said = measure(model, EVEN, 1, "unit")
    assert said.power_w[said.at_s > 400][:100].mean() == pytest.approx(202, abs=0.05)


def test_noise_is_drawn_for_each_turn_and_wander_is_slow() -> None:
    noisy = measure(replace(TOTAL, noise_pct=1.0, rate_hz=0), EVEN, 1, "unit")
    error = inner(noisy, noisy.power_w) / 200 - 1
    assert error.std() == pytest.approx(0.01, rel=0.1)
    assert abs(float(np.corrcoef(error[:-1], error[1:])[0, 1])) < 0.1
    long = ride_efforts([Effort(6000, 200, 90)], seed=1, rider=EVEN_RIDER, after_plan_s=0)
    slow = measure(replace(TOTAL, wander_pct=0.4, rate_hz=0), long, 1, "unit").power_w[20:] / 200 - 1
    assert slow.std() == pytest.approx(0.004, rel=0.2)
    assert float(np.corrcoef(slow[:-1], slow[1:])[0, 1]) > 0.9


def test_a_window_of_uneven_turns_sees_the_ripple_unless_a_flywheel_evens_it() -> None:
    windows = replace(TOTAL, averaging="second", window=1.1)
    ridden = ride_efforts([Effort(600, 200, 87)], seed=1, rider=EVEN_RIDER, after_plan_s=30)
    spread = {}
    places: tuple[Place, ...] = ("chainring", "hub", "trainer")
    for place in places:
        said = measure(replace(windows, place=place), ridden, 1, "unit")
        spread[place] = float(inner(said, said.power_w).std())
    assert spread["chainring"] > 5
    assert spread["hub"] > 5
    assert spread["trainer"] < 0.01


@pytest.mark.parametrize(("smoothing_s", "lag_s"), [(0.0, 0.4), (1.2, 0.0), (1.2, 0.4), (3.0, 1.0)])
def test_smoothing_and_lag_delay_a_change_by_their_sum(smoothing_s: float, lag_s: float) -> None:
    ride = ride_efforts([Effort(60, 100, 90), Effort(60, 300, 90)], seed=1, rider=EVEN_RIDER, after_plan_s=5)
    plain = replace(TOTAL, place="trainer", averaging="second", window=0.05, rate_hz=4)
    prompt, late = (
        measure(model, ride, 1, "unit").power_w[30 * 4 : 110 * 4].sum() / 4
        for model in (plain, replace(plain, smoothing_s=smoothing_s, lag_s=lag_s))
    )
    # The area between a step of 195 W (200 W behind the chain) and its delayed copy is 195 W times the mean delay.
    assert (prompt - late) / 195 == pytest.approx(smoothing_s + lag_s, abs=0.1)


@pytest.mark.parametrize("rate_hz", [1, 4])
def test_packets_come_at_their_rate(rate_hz: float) -> None:
    said = measure(replace(TOTAL, rate_hz=rate_hz), EVEN, 1, "unit")
    assert np.diff(said.at_s) == pytest.approx(1 / rate_hz)


def test_a_meter_that_speaks_at_crank_events_goes_on_saying_zero_at_rest() -> None:
    efforts = [Effort(60, 200, 90), Effort(30, 0, 0, kind="zero"), Effort(60, 200, 90)]
    said = measure(replace(TOTAL, rate_hz=0), ride_efforts(efforts, seed=1, after_plan_s=5), 1, "unit")
    riding = np.diff(said.at_s[(said.at_s > 10) & (said.at_s < 60)])
    assert riding == pytest.approx(60 / 90, abs=0.05)
    resting = (said.at_s > 67) & (said.at_s < 90)
    assert np.all(said.power_w[resting] == 0)
    assert np.diff(said.at_s[resting]) == pytest.approx(1.0)
    assert np.ptp(said.crank_turns[resting]) == 0
    assert np.all(np.diff(said.at_s) > 0)


@pytest.mark.parametrize("model", [TOTAL, replace(TOTAL, place="hub", averaging="second")])
def test_torque_and_energy_tell_the_same_power(model: MeterModel) -> None:
    said = measure(replace(model, scale_pct=2.0, noise_pct=1.0), STEADY, 1, "unit")
    first, last = np.searchsorted(said.at_s, [30, 590])
    event_s = said.wheel_event_s if model.behind_chain else said.crank_event_s
    torque_w = 2 * math.pi * (said.torque_nm[last] - said.torque_nm[first]) / (event_s[last] - event_s[first])
    energy_w = 1000 * (said.energy_kj[last] - said.energy_kj[first]) / 560
    assert torque_w == pytest.approx(inner(said, said.power_w).mean(), rel=0.004)
    assert energy_w == pytest.approx(inner(said, said.power_w).mean(), rel=0.004)


def test_counters_count_the_ride() -> None:
    said = measure(TOTAL, EVEN, 1, "unit")
    first, last = np.searchsorted(said.at_s, [30, 590])
    turns = said.crank_turns[last] - said.crank_turns[first]
    assert turns == pytest.approx(560 * 1.5, abs=1)
    assert 60 * turns / (said.crank_event_s[last] - said.crank_event_s[first]) == pytest.approx(90, abs=1e-6)
    assert said.wheel_turns[last] - said.wheel_turns[first] == pytest.approx(560 * 1.5 * 2.8, abs=2)


def test_units_differ_by_name_and_seed_only() -> None:
    model = replace(TOTAL, noise_pct=1.0)
    one, same = (measure(model, EVEN, 1, "unit").power_w for _ in range(2))
    assert np.array_equal(one, same)
    for seed, name in ((2, "unit"), (1, "other")):
        assert not np.array_equal(one, measure(model, EVEN, seed, name).power_w)


@pytest.mark.parametrize("averaging", ["turn", "second"])
def test_a_ride_on_which_nobody_pedals_is_all_zero(averaging: Literal["turn", "second"]) -> None:
    still = ride_efforts([Effort(30, 0, 0, kind="zero")], seed=1, after_plan_s=0)
    for rate_hz in (0, 1):
        said = measure(replace(TOTAL, averaging=averaging, rate_hz=rate_hz, smoothing_s=1.0), still, 1, "unit")
        assert said.at_s.size >= 27
        assert not said.power_w.any()
        assert not said.crank_turns.any()
