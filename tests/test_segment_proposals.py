"""Steady stretches, surges and sprints found where they were ridden, and none where there is nothing to find."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from analysis.clock_alignment import Track
from analysis.segment_proposals import ProposedSegment, propose
from simulated_sensors.meter_model import MeterModel
from simulated_sensors.ride_file_devices import RideFileDevice, device_track
from simulated_sensors.rider import Effort, ride_efforts

METER = MeterModel("pedals", "both", rate_hz=4.0)


def track(power_w: np.ndarray, start_s: float = 0.0) -> Track:
    time_s = start_s + np.arange(power_w.size, dtype=np.float64)
    return Track(time_s, power_w.astype(np.float64), np.full(power_w.size, 90.0))


def of_kind(proposed: tuple[ProposedSegment, ...], kind: str) -> list[ProposedSegment]:
    return [p for p in proposed if p.kind == kind]


def flat(*parts: tuple[int, float]) -> np.ndarray:
    return np.concatenate([np.full(seconds, watts) for seconds, watts in parts])


def test_what_was_ridden_is_found_where_it_was_ridden() -> None:
    efforts = [
        Effort(300, 140, 85),
        Effort(180, 210, 90),
        Effort(120, 120, 80),
        Effort(15, 700, 110, kind="sprint"),
        Effort(120, 120, 80),
        Effort(20, 330, 95),
        Effort(120, 120, 80),
    ]
    ride = ride_efforts(efforts, seed=1, after_plan_s=0.0)
    proposed = propose(device_track(RideFileDevice("Alder", METER, offset_s=-1000.0), ride, seed=1))
    assert [p.name for p in proposed] == [
        "steady 140",
        "steady 210",
        "steady 120",
        "sprint 1",
        "steady 120 #2",
        "surge 1",
        "steady 120 #3",
    ]
    # The plan as it was ridden is the reference; the device's clock is 1000 s ahead of it.
    steady, sprint = proposed[1], of_kind(proposed, "sprint")[0]
    assert 1300 <= steady.start_s <= 1320
    assert 1460 <= steady.stop_s <= 1480
    assert 1594 <= sprint.start_s <= 1602
    assert 1613 <= sprint.stop_s <= 1622
    assert "W" in sprint.words


def test_a_steady_stretch_has_a_minute_at_least() -> None:
    def steady(seconds: int) -> int:
        around = (200, 50.0)
        return len(of_kind(propose(track(flat(around, (seconds, 200.0), around))), "steady"))

    assert steady(68) == 2  # the two at 50 W only: 30 s means take some seconds off either end
    assert steady(120) == 3


def test_a_climb_is_no_surge() -> None:
    proposed = propose(track(flat((300, 150.0), (120, 300.0), (300, 150.0))))
    assert [p.name for p in proposed] == ["steady 150", "steady 300", "steady 150 #2"]


def test_starting_after_a_stop_is_no_surge() -> None:
    proposed = propose(track(flat((200, 180.0), (60, 0.0), (20, 200.0), (10, 0.0), (200, 180.0))))
    assert {p.kind for p in proposed} == {"steady"}


def test_a_hole_ends_a_steady_stretch_and_is_no_zero() -> None:
    power_w = flat((600, 200.0))
    power_w[300:360] = np.nan
    first, second = propose(track(power_w))
    assert first.stop_s < 310
    assert second.start_s > 345
    power_w[:] = 200.0
    power_w[::50] = np.nan  # missing seconds
    assert len(propose(track(power_w))) == 1


def test_freewheeling_is_not_steady() -> None:
    assert propose(track(flat((600, 0.0)))) == ()


def test_a_restless_ride_is_not_listed_to_the_last_surge() -> None:
    power_w = np.tile(flat((30, 150.0), (10, 420.0)), 200)
    surges = propose(track(power_w))
    assert len(surges) == 20


def test_nothing_in_nothing_out() -> None:
    empty = np.zeros(0)
    assert propose(Track(empty, empty, empty)) == ()
    assert propose(track(np.full(300, np.nan))) == ()


@settings(max_examples=60, deadline=None)
@given(
    hnp.arrays(
        np.float64, st.integers(1, 400), elements=st.one_of(st.just(np.nan), st.integers(-50, 3000).map(float))
    ),
    st.floats(-1e9, 1e9),
)
def test_any_ride_gives_stretches_in_order_without_overlap(power_w: np.ndarray, start_s: float) -> None:
    proposed = propose(track(power_w, float(round(start_s))))
    times = [t for p in proposed for t in (p.start_s, p.stop_s)]
    assert times == sorted(times)
    assert all(p.stop_s - p.start_s >= 60 for p in of_kind(proposed, "steady"))
    assert len({p.name for p in proposed}) == len(proposed)


@pytest.mark.parametrize("mean_w", [100.0, 250.0])
def test_a_ramp_is_cut_where_it_leaves_the_band(mean_w: float) -> None:
    ramp = mean_w * np.linspace(0.5, 1.5, 1200)
    for p in of_kind(propose(track(ramp)), "steady"):
        inside = ramp[int(p.start_s) : int(p.stop_s)]
        assert np.ptp(inside) <= 2 * max(10.0, 0.10 * inside.mean()) + 1
