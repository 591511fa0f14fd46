"""Sprints: arithmetic by hand, known smoothing undone, and the pooled verdict on simulated rides."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.meter_signal import MeterSignal
from analysis.segments import Segment
from analysis.sprints import SprintComparison, SprintTerms, compare_sprints, sprint_bounds_ns
from analysis.tolerance import Expectation
from simulated_sensors.meter_model import MeterModel
from simulated_sensors.quayside import ALDER, CEDAR
from simulated_sensors.rider import Effort, ride_efforts
from simulated_sensors.sensor_spec import SensorSpec
from tests.simulated_rides import S, ride_segments, segment, sending, simulated_signals


def pulse(scale: float = 1.0, delay_s: int = 0, seconds: int = 120) -> list[float]:
    """100 W, and from 60 s on ten seconds of 500 W with one second of 700 W in them."""
    power = np.full(seconds, 100.0)
    power[60 + delay_s : 70 + delay_s] = 500.0
    power[63 + delay_s] = 700.0
    return [scale * float(p) for p in power]


def two(meter: MeterSignal, terms: SprintTerms, *segments: Segment) -> SprintComparison:
    signals = {"Alder": sending("Alder", pulse()), "Birch": meter}
    return compare_sprints(signals, segments or (segment(60, 72, "sprint"),), "Alder", {"Birch": terms})


def test_figures_of_one_sprint_by_hand() -> None:
    sprint = two(sending("Birch", pulse(1.1)), SprintTerms(2.0, slower_by_s=0.0)).sprints[0]
    assert sprint.onset_ns == 60 * S  # 500 W is half way from 100 W to 700 W, and more
    assert sprint.end_ns == 70 * S
    figures = sprint.meters["Birch"]
    assert figures.greatest_sample_w.reference == 700
    assert figures.greatest_1s_w.meter == pytest.approx(770)
    assert figures.greatest_5s_w.reference == pytest.approx((4 * 500 + 700) / 5)
    assert figures.equal_1s_w.meter == pytest.approx(770)
    # 3 s before and 8 s after at 100 W, ten seconds of 500 W, 200 J more in one of them.
    assert figures.pulse_work_j.reference == pytest.approx(1100 + 5000 + 200)
    for name in ("greatest_sample_w", "greatest_1s_w", "greatest_5s_w", "equal_1s_w", "equal_5s_w", "pulse_work_j"):
        assert getattr(figures, name).difference_pct == pytest.approx(10)


def test_all_meters_are_laid_over_each_other_from_the_onset() -> None:
    late = two(sending("Birch", pulse(delay_s=2)), SprintTerms(2.0, lag_s=2.0)).sprints[0]
    assert late.overlay is not None
    assert (late.overlay.time_s[0], late.overlay.time_s[-1], late.overlay.time_s.size) == (-5.0, 19.75, 100)
    assert list(late.overlay.power_w) == ["Alder", "Birch"]
    np.testing.assert_allclose(late.overlay.power_w["Birch"], late.overlay.power_w["Alder"])
    assert late.overlay.power_w["Alder"][19:21].tolist() == [100.0, 500.0]
    assert late.meters["Birch"].pulse_work_j.difference_pct == pytest.approx(0)


def test_pulse_work_needs_peace_before_and_after() -> None:
    terms = SprintTerms(2.0, slower_by_s=0.0)
    sprint = segment(60, 72, "sprint", 1)
    after = two(sending("Birch", pulse()), terms, sprint, segment(75, 120, "steady", 2)).sprints[0].meters["Birch"]
    assert after.why_not == "another effort, segment 2, reaches into it"
    assert math.isnan(after.pulse_work_j.difference_pct)
    assert after.greatest_1s_w.difference_pct == pytest.approx(0)
    easy = two(sending("Birch", pulse()), terms, sprint, segment(72, 120, "free", 2)).sprints[0].meters["Birch"]
    assert easy.why_not == ""
    broken = pulse()
    broken[74:79] = [math.nan] * 5
    gap = two(sending("Birch", broken), terms).sprints[0].meters["Birch"]
    assert gap.why_not == "a gap in the data of one of the two"
    assert math.isnan(gap.pulse_work_j.meter)


def test_peaks_at_equal_smoothing_agree_where_raw_ones_cannot() -> None:
    ride = ride_efforts(
        [Effort(80, 110, 85, kind="free"), Effort(12, 800, 105, kind="sprint"), Effort(30, 110, 85, kind="free")],
        seed=4,
        after_plan_s=5.0,
    )
    still = MeterModel("pedals", "both", rate_hz=4, noise_pct=0.0, wander_pct=0.0)
    specs = [SensorSpec("Alder", "", still), SensorSpec("Birch", "", replace(still, smoothing_s=1.5))]
    signals = simulated_signals(specs, ride, 4)
    terms = {"Birch": SprintTerms(2.0, slower_by_s=1.5)}
    figures = compare_sprints(signals, ride_segments(ride), "Alder", terms).sprints[0].meters["Birch"]
    assert figures.greatest_1s_w.difference_pct < -4
    assert abs(figures.equal_1s_w.difference_pct) < 0.5
    assert abs(figures.equal_5s_w.difference_pct) < 0.5
    assert abs(figures.pulse_work_j.difference_pct) < 0.5
    # The other way round it is the meter that has to be smoothed.
    terms = {"Alder": SprintTerms(2.0, slower_by_s=-1.5)}
    figures = compare_sprints(signals, ride_segments(ride), "Birch", terms).sprints[0].meters["Alder"]
    assert abs(figures.equal_1s_w.difference_pct) < 0.5
    unknown = compare_sprints(signals, ride_segments(ride), "Alder", {"Birch": SprintTerms(2.0)}).sprints[0]
    assert math.isnan(unknown.meters["Birch"].equal_1s_w.difference_pct)


def sprinting(count: int, seed: int) -> tuple[dict[str, MeterSignal], tuple[Segment, ...]]:
    efforts = [Effort(45, 110, 85, kind="free"), Effort(12, 800, 105, kind="sprint")] * count
    ride = ride_efforts([*efforts, Effort(45, 110, 85, kind="free")], seed=seed, after_plan_s=5.0)
    twin = replace(ALDER, name="Oak", model=replace(ALDER.model, scale_pct=0.0))
    return simulated_signals([ALDER, twin, CEDAR], ride, seed), ride_segments(ride)


@pytest.mark.parametrize("count", [1, 3])
def test_few_sprints_never_give_a_verdict(count: int) -> None:
    signals, segments = sprinting(count, 5)
    judgement = compare_sprints(signals, segments, "Alder", {"Cedar": SprintTerms(1.4)}).judgements["Cedar"]
    assert judgement.word == "undecided"
    assert judgement.repeats == count
    assert judgement.reason == f"4 sprints are needed, here are {count}"


def test_eight_sprints_judge_a_good_and_a_bad_meter_rightly() -> None:
    signals, segments = sprinting(8, 6)
    terms = {
        "Oak": SprintTerms(2.0, slower_by_s=0.0),
        # Cedar reads 2.9 % low behind a chain that takes 2.5 %; here it is not told of the chain.
        "Cedar": SprintTerms(1.4, lag_s=0.4, slower_by_s=1.2),
    }
    unaware = compare_sprints(signals, segments, "Alder", terms)
    assert unaware.judgements["Oak"].word == "agrees"
    assert unaware.judgements["Cedar"].word == "differs"
    assert unaware.judgements["Cedar"].away_pct == pytest.approx(100 * (0.971 * 0.975 / 1.003 - 1), abs=0.8)
    terms["Cedar"] = replace(terms["Cedar"], expectation=Expectation(0.975, 1.0))
    aware = compare_sprints(signals, segments, "Alder", terms)
    assert aware.judgements["Cedar"].away_pct == pytest.approx(100 * (0.971 / 1.003 - 1), abs=0.8)


def test_what_cannot_be_compared_is_said_in_words() -> None:
    terms = SprintTerms(2.0)
    assert two(sending("Birch", []), terms).sprints[0].meters == {}
    signals = {"Birch": sending("Birch", pulse())}
    silent = compare_sprints(signals, [segment(60, 72, "sprint")], "Alder", {"Birch": terms})
    assert (silent.why_not, silent.sprints) == ("the reference sent no power", ())
    none = two(sending("Birch", pulse()), terms, segment(0, 50, "steady"))
    assert none.why_not == "no sprint was ridden"
    assert none.judgements["Birch"].word == "undecided"
    outside = two(sending("Birch", pulse()), terms, segment(500, 512, "sprint")).sprints[0]
    assert outside.why_not == "the reference sent nothing here"
    assert (outside.onset_ns, outside.overlay) == (None, None)


@pytest.mark.parametrize("power_w", [0.0, 200.0, -40.0])
def test_flat_power_is_no_sprint(power_w: float) -> None:
    flat = sending("Alder", [power_w] * 120)
    assert sprint_bounds_ns(flat, segment(60, 72, "sprint")) == (
        "no sprint is to be seen: the reference scarcely rises"
    )
    comparison = compare_sprints(
        {"Alder": flat, "Birch": flat}, [segment(60, 63, "sprint")], "Alder", {"Birch": SprintTerms(2.0)}
    )
    assert comparison.judgements["Birch"].repeats == 0


def test_a_sprint_at_the_very_start_and_end_of_a_recording_has_peaks_only() -> None:
    power = [500.0] * 10 + [100.0] * 3
    signals = {name: sending(name, power) for name in ("Alder", "Birch")}
    (sprint,) = compare_sprints(signals, [segment(0, 10, "sprint")], "Alder", {"Birch": SprintTerms(2.0)}).sprints
    assert sprint.onset_ns == 0
    assert sprint.meters["Birch"].greatest_5s_w.difference_pct == pytest.approx(0)
    assert sprint.meters["Birch"].why_not == "a gap in the data of one of the two"
