"""Offsets, drift and jumps of clocks recovered from rides by several devices, and the rides that must not be told."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
import statsmodels.api
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from analysis.clock_alignment import Alignment, Track, align_clocks
from analysis.clock_alignment_line import offset_line
from analysis.clock_alignment_search import candidates, window_sums
from analysis.clock_alignment_track import KERNEL, each_second, moves
from analysis.clock_alignment_windows import window_offsets
from simulated_sensors.ride_file_devices import RideFileDevice, device_track, outdoor_ride
from tests.experiments.clocks import (
    ALDER,
    BIRCH,
    CELLS,
    DOGWOOD,
    PLANS,
    Outcome,
    Plan,
    run_plan,
    run_ride,
    run_strangers,
)
from tests.experiments.mechanical_pairs import RECORDED

HOUR = outdoor_ride(11, 3600.0)


def recorded(name: str, offset_s: float = 0.0, drift_ppm: float = 0.0, timer_stops: bool = False) -> Track:
    model = {"Alder": ALDER, "Birch": BIRCH, "Dogwood": DOGWOOD}[name]
    device = RideFileDevice(name, model, offset_s, drift_ppm, timer_stops=timer_stops)
    return device_track(device, HOUR, 11)


def wobble(seed: int, at_s: np.ndarray) -> np.ndarray:
    """A power known at every instant: sines of periods from 5 s on, no faster."""
    rng = np.random.default_rng(seed)
    periods_s = rng.uniform(5, 60, 60)
    phases = rng.uniform(0, 2 * np.pi, 60)
    return np.asarray(200 + 8 * np.sin(2 * np.pi * at_s[:, None] / periods_s + phases).sum(axis=1))


def track(time_s: np.ndarray, power_w: np.ndarray) -> Track:
    return Track(time_s, power_w, np.full(time_s.size, np.nan))


# --- the sign, and known answers from outside -------------------------------------------------------------------


def test_the_sign_by_hand() -> None:
    # The rider stood up at 12:10:00 by the reference; the other's clock showed 12:08:20 then. It is 100 s behind.
    time_s = np.arange(1200.0)
    reference = track(time_s, wobble(1, time_s))
    other = track(time_s - 100.0, wobble(1, time_s))
    found = align_clocks(reference, other)
    assert found.carried
    assert found.offset_s == pytest.approx(100.0, abs=1e-3)
    assert found.to_reference(np.array([500.0]))[0] == pytest.approx(600.0, abs=1e-3)


@pytest.mark.parametrize("late_s", [-37, 5, 240])
def test_the_sign_by_scipy(late_s: int) -> None:
    # scipy.signal.correlate and correlation_lags: y is x `late_s` samples later, so the lag of the peak is +late_s.
    x = np.random.default_rng(2).normal(0, 1, 2400)
    y = np.roll(x, late_s)
    lags = scipy.signal.correlation_lags(y.size, x.size)
    assert lags[np.argmax(scipy.signal.correlate(y, x))] == late_s
    # An event seen later on the reference's clock than on the other's: late_s has to be added to the other's.
    time_s = np.arange(2400.0)
    found = align_clocks(track(time_s, 200 + 30 * y), track(time_s, 200 + 30 * x))
    assert found.offset_s == pytest.approx(late_s, abs=0.01)


def test_correlations_are_those_of_numpy() -> None:
    rng = np.random.default_rng(3)
    a, b = (moves(t, t.power_w) for t in (track(np.arange(900.0), rng.normal(200, 40, 900)) for _ in range(2)))
    best = candidates((a,), (b,), -300, 300)[0]
    x, y = a.value[max(best.shift, 0) :], b.value[max(-best.shift, 0) :]
    size = min(x.size, y.size)
    x, y = x[:size], y[:size]
    assert best.common_s == size
    assert best.correlation == pytest.approx(x @ y / np.sqrt((x @ x) * (y @ y)), abs=1e-9)


@pytest.mark.parametrize("shift_s", [0.0, 0.13, 0.37, 0.5, 0.81])
def test_fractions_of_a_second_have_no_favourite(shift_s: float) -> None:
    # Both sample the same sines; the answer is exact. A parabola through whole seconds would be wrong by 0.02 s.
    time_s = np.arange(3000.0)
    a = track(time_s, wobble(4, time_s + shift_s))
    b = track(time_s, wobble(4, time_s))
    found = align_clocks(a, b)
    assert found.offset_s == pytest.approx(-shift_s, abs=2e-3)


def test_drift_of_sines_is_exact() -> None:
    time_s = np.arange(7200.0)
    a = track(time_s, wobble(5, time_s))
    b = track(time_s, wobble(5, 30.0 + time_s * (1 + 40e-6)))
    found = align_clocks(a, b)
    assert found.drift_ppm == pytest.approx(40.0, abs=0.5)
    assert found.offset_s == pytest.approx(30.0 + 40e-6 * found.epoch_s, abs=2e-3)
    assert found.to_reference(time_s) == pytest.approx(30.0 + time_s * (1 + 40e-6), abs=5e-3)


def test_the_line_is_that_of_statsmodels() -> None:
    # statsmodels WLS with HC3 covariance, Student's t.
    rng = np.random.default_rng(6)
    x = np.arange(0.0, 7200.0, 300.0)
    weight = rng.uniform(0.5, 2.0, 24)
    y = 3.0 + 40e-6 * x + rng.normal(0, 0.1, 24)
    found = offset_line(x, y, weight)
    assert found is not None
    assert found.used.all()
    middle_s = np.average(x, weights=weight)
    model = statsmodels.api.WLS(y, statsmodels.api.add_constant(x - middle_s), weights=weight)
    fit = model.fit(cov_type="HC3", use_t=True)
    half = (fit.conf_int()[:, 1] - fit.conf_int()[:, 0]) / 2
    assert (found.first_s, found.drift) == pytest.approx(tuple(fit.params), rel=1e-6)
    # A floor of 5 ms per window is in ours.
    assert (found.half_width_s, found.drift_half_width) == pytest.approx(tuple(half), rel=0.02)


# --- devices ------------------------------------------------------------------------------------------------------


def test_three_devices_of_one_outdoor_ride() -> None:
    """Offsets up to ten minutes, drift up to 50 ppm, pauses, 1 % missing, two hours; lag is common to like meters."""
    results = [run_ride(CELLS[0], seed) for seed in range(2000, 2008)]
    told = [r for r in results if isinstance(r, Outcome)]
    assert len(told) == len(results)
    assert max(abs(r.offset_error_s) for r in told) < 0.05
    assert max(abs(r.clock_error_s) for r in told) < 0.2
    drift = np.array([r.drift_error_ppm for r in told])
    assert np.sqrt(np.mean(drift**2)) < 5
    assert np.mean(np.abs(drift) <= [r.drift_half_width_ppm for r in told]) >= 0.75
    assert max(r.segment_error_w for r in told) < 0.2
    assert not any(r.jumps for r in told)


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_intervals_cover_clock_and_lag() -> None:
    results = [run_ride(CELLS[k % 3], 3000 + k) for k in range(600)]
    told = [r for r in results if isinstance(r, Outcome)]
    assert len(told) >= 598
    assert np.mean([abs(r.offset_error_s) <= r.half_width_s for r in told]) >= 0.95
    assert np.mean([abs(r.drift_error_ppm) <= r.drift_half_width_ppm for r in told]) >= 0.92


def test_the_other_way_round_is_the_opposite() -> None:
    a, b = recorded("Alder"), recorded("Birch", 250.3, 20.0)
    there, back = align_clocks(a, b), align_clocks(b, a)
    times_s = b.time_s[::60]
    assert back.to_reference(there.to_reference(times_s)) == pytest.approx(times_s, abs=0.02)


def test_it_does_not_matter_where_a_clock_begins() -> None:
    a, b = recorded("Alder"), recorded("Dogwood", 250.3)
    epoch_s = 1.8e9
    moved = Track(b.time_s + epoch_s, b.power_w, b.cadence_rpm)
    near, far = align_clocks(a, b), align_clocks(a, moved)
    assert far.offset_s + epoch_s == pytest.approx(near.offset_s, abs=1e-4)


def test_a_guess_narrows_the_search() -> None:
    a, b = recorded("Alder"), recorded("Birch", 250.3)
    assert align_clocks(a, b, guess_s=260.0, within_s=30.0).offset_s == pytest.approx(250.3, abs=0.2)
    refused = align_clocks(a, b, guess_s=0.0, within_s=100.0)
    assert not refused.carried
    assert math.isnan(refused.offset_s)
    assert refused.words


def test_short_rides_tell_no_drift() -> None:
    ride = outdoor_ride(12, 1200.0)
    a, b = (device_track(RideFileDevice(n, ALDER, o), ride, 12) for n, o in (("Alder", 0.0), ("Birch", -99.7)))
    found = align_clocks(a, b)
    assert found.offset_s == pytest.approx(-99.7, abs=0.2)
    assert found.drift_half_width_ppm is None
    assert found.drift_ppm == 0
    assert "drift" in found.words


def test_no_cadence_is_no_obstacle() -> None:
    a, b = recorded("Alder"), recorded("Birch", 77.0)
    bare = Track(b.time_s, b.power_w, np.full(b.time_s.size, np.nan))
    assert align_clocks(a, bare).offset_s == pytest.approx(77.0, abs=0.2)


def test_records_seconds_apart_are_joined() -> None:
    a, b = recorded("Alder"), recorded("Birch", 77.0)
    kept = np.cumsum(np.random.default_rng(7).integers(1, 8, b.time_s.size))
    kept = kept[kept < b.time_s.size]
    found = align_clocks(a, Track(b.time_s[kept], b.power_w[kept], b.cadence_rpm[kept]))
    assert found.offset_s == pytest.approx(77.0, abs=0.3)


def test_some_spikes_and_false_zeros_do_no_harm() -> None:
    a, b = recorded("Alder"), recorded("Birch", 77.0)
    power_w = b.power_w.copy()
    power_w[[300, 1000, 1700, 2500]] = 2900.0
    power_w[1300:1330] = 0.0
    assert align_clocks(a, Track(b.time_s, power_w, b.cadence_rpm)).offset_s == pytest.approx(77.0, abs=0.2)


def test_missing_seconds_are_not_zeros() -> None:
    time_s = np.array([10.0, 11, 12, 13, 14, 15, 16, 19])
    power_w = np.array([200.0, np.nan, 200, 200, 200, 200, 200, 200])
    seconds = each_second(track(time_s, power_w), power_w)
    assert np.flatnonzero(np.isnan(seconds)).tolist() == [1, 7, 8]
    assert np.nanmin(seconds) == 200
    holes = np.full(60, 200.0)
    holes[20:30] = np.nan
    found = moves(track(np.arange(60.0), holes), holes)
    assert not found.value.any()
    assert found.known.sum() == 60 - 2 * (KERNEL.size // 2) - 10 - 2 * (KERNEL.size // 2)


def test_a_hole_does_not_pull_the_peak() -> None:
    time_s = np.arange(1500.0)
    power_w = wobble(8, time_s)
    holed = power_w.copy()
    for start in range(40, 1500, 70):
        holed[start : start + 25] = np.nan
    found = align_clocks(track(time_s, power_w), track(time_s, holed))
    assert found.offset_s == pytest.approx(0.0, abs=1e-3)


# --- clocks that jump -----------------------------------------------------------------------------------------------


def set_forward(b: Track, by_s: float, at: int) -> tuple[Track, np.ndarray]:
    """The clock set by `by_s` at record `at`, without what then seems to lie before; and the times it had."""
    late = np.arange(b.time_s.size) >= at
    kept = ~(late & (b.time_s + by_s <= b.time_s[at - 1]))
    time_s = (b.time_s + by_s * late)[kept]
    return Track(time_s, b.power_w[kept], b.cadence_rpm[kept]), b.time_s[kept]


@pytest.mark.parametrize("by_s", [-20.0, -2.0, 1.0, 5.0, 11.0, 90.0])
def test_a_clock_set_on_the_way_is_followed(by_s: float) -> None:
    a = recorded("Alder")
    b, true_s = set_forward(recorded("Birch", 40.0), by_s, 1900)
    found = align_clocks(a, b)
    assert found.carried
    assert [j.by_s for j in found.jumps] == pytest.approx([-by_s], abs=0.1)
    wrong = np.abs(found.to_reference(b.time_s) - true_s - 40.0) > 0.2
    assert wrong.sum() < 15
    assert "set by" in found.words


def test_a_timer_that_stands_still_in_pauses_is_followed() -> None:
    a, b = recorded("Alder"), recorded("Birch", 40.0, timer_stops=True)
    truth_s = recorded("Birch", 40.0).time_s + 40.0
    found = align_clocks(a, b)
    # The rider stopped twice, for 114 and 86 s by that timer.
    assert [j.by_s for j in found.jumps] == pytest.approx([114.0, 86.0], abs=0.2)
    assert np.mean(np.abs(found.to_reference(b.time_s) - truth_s) > 0.2) < 0.01


# --- what must not be told ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("plan", PLANS, ids=lambda p: p.name)
def test_a_wrong_offset_is_not_told(plan: Plan) -> None:
    errors = np.array([run_plan(plan, seed) for seed in range(2000, 2006)])
    assert not (np.abs(errors) > 0.5).any()
    if "machine" in plan.name or "beyond" in plan.name:
        assert np.isnan(errors).sum() >= 5
    else:
        assert np.isfinite(errors).all()


def test_rides_that_have_nothing_in_common() -> None:
    assert all(math.isnan(run_strangers(seed)) for seed in range(2000, 2003))


def test_too_little_in_common() -> None:
    a, b = recorded("Alder"), recorded("Birch", 40.0)
    early = Track(a.time_s[:1800], a.power_w[:1800], a.cadence_rpm[:1800])
    late = Track(b.time_s[1500:], b.power_w[1500:], b.cadence_rpm[1500:])
    assert not align_clocks(early, late, guess_s=0.0).carried
    empty = np.zeros(0)
    for other in (Track(empty, empty, empty), Track(*np.ones((3, 1)))):
        assert "10 minutes" in align_clocks(a, other).words


def test_days_are_refused_before_memory_is_taken() -> None:
    two = np.array([0.0, 1e300])
    assert "48 hours" in align_clocks(recorded("Alder"), Track(two, two, two)).words


def test_a_track_must_rise() -> None:
    ones = np.ones(3)
    with pytest.raises(ValueError, match="rise"):
        Track(np.array([1.0, 3.0, 2.0]), ones, ones)
    with pytest.raises(ValueError, match="rise"):
        Track(np.array([1.0, np.nan, 2.0]), ones, ones)
    with pytest.raises(ValueError, match="one value each"):
        Track(ones, ones, np.ones(4))


@settings(max_examples=40, deadline=None)
@given(
    hnp.arrays(np.float64, st.integers(0, 900), elements=st.one_of(st.just(np.nan), st.floats(-1e4, 1e4))),
    hnp.arrays(np.float64, st.integers(0, 900), elements=st.floats(0, 300)),
    st.floats(0.3, 9.0),
)
def test_any_two_tracks_give_an_answer_or_words(power_w: np.ndarray, other_w: np.ndarray, step_s: float) -> None:
    a = Track(np.arange(float(power_w.size)), power_w, np.abs(power_w) / 100)
    b = Track(np.linspace(0.0, step_s * other_w.size, other_w.size), other_w, other_w)
    found = align_clocks(a, b, guess_s=0.0)
    assert isinstance(found, Alignment)
    assert found.carried == math.isfinite(found.offset_s)
    assert found.carried or found.words


@pytest.mark.skipif(not RECORDED.exists(), reason="the recorded ride lies beside the repository")
def test_the_simulated_ride_is_no_livelier_than_a_recorded_one() -> None:
    power_w = np.genfromtxt(RECORDED, delimiter=",", skip_header=1, usecols=(1, 2))[:, 0]
    mine = device_track(RideFileDevice("Alder", ALDER), outdoor_ride(1), 1).power_w

    def liveliness(watts: np.ndarray) -> float:
        return float(np.sqrt(np.nanmean(np.convolve(watts, KERNEL, "valid") ** 2)))

    assert 0.5 * liveliness(power_w) < liveliness(mine) < liveliness(power_w)


@pytest.mark.skipif(not RECORDED.exists(), reason="the recorded ride lies beside the repository")
def test_a_recorded_ride_against_itself_with_noise() -> None:
    table = np.genfromtxt(RECORDED, delimiter=",", skip_header=1, usecols=(0, 1, 2))[:9000]
    rng = np.random.default_rng(9)
    power_w = np.rint(table[:, 1] * rng.normal(1, 0.03, table.shape[0]))
    kept = rng.random(table.shape[0]) > 0.01
    a, b = Track(*table.T), Track(table[kept, 0] - 421.0, power_w[kept], table[kept, 2])
    found = align_clocks(a, b, guess_s=0.0)
    assert found.offset_s == pytest.approx(421.0, abs=0.02)
    assert abs(found.drift_ppm) < 5


def test_windows_say_what_they_found() -> None:
    found = align_clocks(recorded("Alder"), recorded("Birch", 250.3))
    assert len(found.windows) >= 10
    used = [w for w in found.windows if w.used]
    assert np.median([w.correlation for w in used]) > 0.9
    assert np.median([w.offset_s for w in used]) == pytest.approx(found.offset_s, abs=0.05)


def test_a_window_without_moves_is_not_clear() -> None:
    rng = np.random.default_rng(10)
    power_w = np.where(np.arange(1200) < 640, 200.0, 200 + 40 * rng.normal(0, 1, 1200))
    a = moves(track(np.arange(1200.0), power_w), power_w)
    found = window_offsets(a, a, np.zeros(a.value.size // 300, np.int64), 300)
    assert found.clear.tolist() == [False, False, True]
    assert window_sums(a, a, 0, 300)[1][0] == 0


@pytest.mark.parametrize("least_w", [2.57e-223, 8.97e-147, 1e-9])
def test_moves_too_small_to_be_squared_are_moves_all_the_same(least_w: float) -> None:
    power_w = np.array([0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0]) * least_w
    found = moves(Track(np.arange(11.0), power_w, np.full(11, np.nan)), power_w)
    assert np.sqrt(np.mean(found.value[found.known] ** 2)) == pytest.approx(1.0)
