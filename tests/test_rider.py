"""Checks the rider, the ride and the torque over a crank turn against published figures and arithmetic."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.errors import BadInput
from analysis.plan_file import parse_plan
from simulated_sensors import crank_torque
from simulated_sensors.rider import Effort, Rider, efforts_from_steps, ride_efforts
from simulated_sensors.seeded_noise import generator, wander

EVEN_RIDER = Rider(power_slow_pct=0, power_quick_pct=0, cadence_rpm=0, left_share_sd=0)
SEATED = np.array([0], np.int8)
FULL_TURN_RAD = np.linspace(0, 2 * math.pi, 720, endpoint=False)


@dataclass(frozen=True)
class Step:
    name: str
    kind: str
    seconds: float
    target_w: float | None = None
    cadence_rpm: float | None = None
    posture: str | None = None
    repeat: int = 1


# Rohloff and Greb, Human Power 55, table 1: power, cadence, least and greatest torque within a turn.
@pytest.mark.parametrize(
    ("power_w", "cadence_rpm", "least_nm", "greatest_nm"),
    [(100, 75, 3.8, 21.6), (300, 75, 8, 68), (575, 50, 20, 200)],
)
def test_torque_range_over_a_turn_is_the_published_one(
    power_w: float, cadence_rpm: float, least_nm: float, greatest_nm: float
) -> None:
    mean_nm = crank_torque.mean_torque_nm(np.array([power_w]), np.array([cadence_rpm]))
    found = crank_torque.extremes(mean_nm, np.array([0.5]), SEATED)
    assert found.min_nm[0] == pytest.approx(least_nm, rel=0.02)
    assert found.max_nm[0] == pytest.approx(greatest_nm, rel=0.02)


def test_torque_is_power_over_angular_velocity() -> None:
    # Arithmetic: 25 N m x 2 pi x 90 / 60 = 235.62 W.
    power_w, cadence_rpm = np.array([235.62, 80.0]), np.array([90.0, 0.0])
    assert crank_torque.mean_torque_nm(power_w, cadence_rpm) == pytest.approx([25.0, 0.0], abs=1e-4)


@given(
    mean_nm=st.floats(0, 150),
    left_share=st.floats(0.3, 0.7),
    posture=st.sampled_from(range(len(crank_torque.POSTURES))),
)
def test_legs_add_up_over_a_turn(mean_nm: float, left_share: float, posture: int) -> None:
    args = (np.array([mean_nm]), np.array([left_share]), np.array([posture], np.int8))
    left_nm, right_nm = crank_torque.leg_torques_nm(FULL_TURN_RAD, *args)
    both_nm = left_nm + right_nm
    assert both_nm.mean() == pytest.approx(mean_nm, abs=1e-9)
    assert left_nm.mean() == pytest.approx(left_share * mean_nm, abs=1e-9)
    found = crank_torque.extremes(*args)
    assert both_nm.max() == pytest.approx(found.max_nm[0], abs=0.02)
    assert both_nm.min() == pytest.approx(found.min_nm[0], abs=0.02)
    at_extremes_rad = np.radians([found.max_deg[0], found.min_deg[0]])
    left_nm, right_nm = crank_torque.leg_torques_nm(at_extremes_rad, *args)
    assert left_nm + right_nm == pytest.approx([found.max_nm[0], found.min_nm[0]], abs=1e-6)
    downstroke = slice(FULL_TURN_RAD.size // 2, None)  # of the left leg
    if mean_nm > 0.1:
        inferred = crank_torque.inferred_left_share(*args[1:])
        assert both_nm[downstroke].sum() / both_nm.sum() == pytest.approx(inferred[0], abs=0.005)
    ripple_j = crank_torque.ripple_work_j(FULL_TURN_RAD, *args)
    summed_j = np.cumsum(both_nm - mean_nm) * 2 * math.pi / FULL_TURN_RAD.size
    assert ripple_j == pytest.approx(summed_j, abs=0.01 * mean_nm + 1e-9)


def test_each_leg_pushes_down_in_its_own_half_and_resists_a_little_in_the_other() -> None:
    left_nm, right_nm = crank_torque.leg_torques_nm(FULL_TURN_RAD, np.array([21.2]), np.array([0.5]), SEATED)
    assert math.degrees(FULL_TURN_RAD[right_nm.argmax()]) == pytest.approx(90)
    assert math.degrees(FULL_TURN_RAD[left_nm.argmax()]) == pytest.approx(270)
    assert -0.2 < right_nm.min() / right_nm.max() < 0  # from memory, no published source


def test_a_steady_step_is_ridden_at_its_target() -> None:
    ride = ride_efforts([Effort(180, 200, 90)], seed=1, after_plan_s=10)
    assert ride.mean_power_w(15, 180) == pytest.approx(200, rel=0.02)
    turns = ride.turns(np.array([15.0, 180.0]))
    assert (turns[1] - turns[0]) / 165 * 60 == pytest.approx(90, abs=1)
    inner = ride.power_w[15 * 20 : 180 * 20]
    assert 0.015 < inner.std() / inner.mean() < 0.04


def test_an_even_rider_has_even_crank_events() -> None:
    ride = ride_efforts([Effort(60, 200, 90)], seed=1, rider=EVEN_RIDER, after_plan_s=10)
    events_s = ride.event_times_s(0.3)
    inner = events_s[(events_s > 5) & (events_s < 58)]
    assert np.diff(inner) == pytest.approx(60 / 90, abs=1e-9)
    assert ride.turns(events_s) == pytest.approx(np.arange(events_s.size) + 0.3, abs=1e-9)


def test_nothing_turns_while_zeroing() -> None:
    efforts = efforts_from_steps(
        [Step("go", "steady", 20, 150, 80), Step("zero", "zero", 20), Step("on", "free", 20)]
    )
    ride = ride_efforts(efforts, seed=3, after_plan_s=10)
    events_s = ride.event_times_s(0.5)
    assert not np.any((events_s > 24) & (events_s < 40))
    assert ride.mean_power_w(24, 40) == 0
    assert np.any((events_s > 40) & (events_s < 60))


def test_a_sprint_peaks_early_then_fades_while_the_legs_spin_up() -> None:
    efforts = efforts_from_steps(
        [Step("roll", "steady", 30, 150, 80), Step("sprint", "sprint", 12, 800, 115, "standing")]
    )
    ride = ride_efforts(efforts, seed=1, rider=EVEN_RIDER, after_plan_s=10)
    sprint_w, sprint_rpm = ride.power_w[30 * 20 : 42 * 20], ride.cadence_rpm[30 * 20 : 42 * 20]
    assert sprint_w.max() == pytest.approx(800, rel=0.001)
    assert sprint_w.argmax() / 20 == pytest.approx(1.5, abs=0.1)
    assert 0.10 <= 1 - sprint_w[-1] / sprint_w.max() <= 0.12
    assert sprint_rpm[0] == pytest.approx(80, abs=1)
    assert sprint_rpm[5 * 20] == pytest.approx(115)


def test_over_unders_swing_by_default_by_15_pct_about_the_target() -> None:
    steps = [Step("roll", "steady", 30, 200, 90), Step("waves", "over-under", 240, 200, 90)]
    ride = ride_efforts(efforts_from_steps(steps), seed=1, rider=EVEN_RIDER, after_plan_s=10)
    assert ride.mean_power_w(90, 270) == pytest.approx(200, abs=0.5)
    assert ride.power_w[60 * 20 : 270 * 20].max() == pytest.approx(230)
    assert ride.power_w[60 * 20 : 270 * 20].min() == pytest.approx(170)
    assert ride.mean_power_w(93, 117) > 225
    assert ride.mean_power_w(123, 147) < 175


def test_steps_repeat_and_open_targets_are_filled() -> None:
    efforts = efforts_from_steps([Step("warm", "warm-up", 60), Step("kick", "sprint", 10, repeat=3)])
    assert [effort.name for effort in efforts] == ["warm", "kick", "kick", "kick"]
    assert all(effort.power_w > 0 and effort.cadence_rpm > 0 for effort in efforts)
    spans = ride_efforts(efforts, seed=1, after_plan_s=1).spans
    assert [(span.start_s, span.end_s) for span in spans] == [(0, 60), (60, 70), (70, 80), (80, 90)]


def test_an_unknown_posture_is_refused() -> None:
    with pytest.raises(BadInput, match="upside down"):
        efforts_from_steps([Step("odd", "steady", 10, posture="upside down")])


@pytest.mark.parametrize("first", ["steady", "sprint"])
def test_torque_stays_human_while_targets_change(first: str) -> None:
    efforts = [
        Effort(20, 300, 90, kind=first),
        Effort(20, 0, 0, kind="zero"),
        Effort(30, 150, 85),
        Effort(12, 900, 118, "standing", "sprint"),
        Effort(20, 100, 75),
    ]
    ride = ride_efforts(efforts, seed=5, after_plan_s=10)
    assert crank_torque.mean_torque_nm(ride.power_w, ride.cadence_rpm).max() < 110
    assert np.abs(np.diff(ride.power_w)).max() < 100  # in a twentieth of a second


def test_posture_shifts_the_left_share() -> None:
    efforts = [Effort(60, 200, 90), Effort(60, 200, 90, "side-to-side")]
    ride = ride_efforts(efforts, seed=1, rider=EVEN_RIDER, after_plan_s=10)
    seated, swaying = ride.left_share_at(np.array([30.0, 90.0]))
    assert seated == pytest.approx(0.485)
    assert swaying > seated + 0.005


def test_same_seed_same_ride() -> None:
    efforts = [Effort(60, 200, 90), Effort(10, 700, 110, "standing", "sprint")]
    one, same, other = (ride_efforts(efforts, seed=seed, after_plan_s=30) for seed in (4, 4, 5))
    for column in ("power_w", "cadence_rpm", "left_share", "posture"):
        assert np.array_equal(getattr(one, column), getattr(same, column))
    assert not np.array_equal(one.power_w, other.power_w)


def test_wander_has_the_spread_and_memory_asked_for() -> None:
    drawn = wander(generator(7, "test"), np.arange(0, 200_000.0), 2.0, 20.0)
    assert drawn.std() == pytest.approx(2.0, rel=0.05)
    lagged = float(np.corrcoef(drawn[:-20], drawn[20:])[0, 1])
    assert lagged == pytest.approx(math.exp(-1), abs=0.04)


def test_a_plan_file_can_be_ridden() -> None:
    plan = parse_plan(
        b"""
        [plan]
        name = "short"
        [[step]]
        name = "waves"
        kind = "over-under"
        seconds = 60
        target_w = 200
        swing_w = 40
        [[step]]
        name = "kick"
        kind = "sprint"
        seconds = 10
        target_w = 700
        repeat = 2
        rest_s = 20
        """
    )
    efforts = efforts_from_steps(plan.step)
    assert [(effort.kind, effort.seconds) for effort in efforts] == [
        ("over-under", 60),
        ("sprint", 10),
        ("rest", 20),
        ("sprint", 10),
    ]
    assert efforts[0].swing_w == 40
    assert sum(effort.seconds for effort in efforts) == plan.seconds
