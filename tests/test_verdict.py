"""Verdicts against tests of equivalence in other software, and their error rates in small simulations."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_paired

from analysis.mean_interval import MeanInterval, iid_interval, student_t
from analysis.verdict import decide, judge_segment, judge_segments, judge_sprints, seconds_to_decide
from tests.experiments.coverage import run_verdicts

# Two variables of two groups of 15, from the tests of the R package `equivalence` (also in statsmodels).
VAR1_A = [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84]
VAR1_B = [2.6, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02]
VAR2_A = [4, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.3, 4.32]
VAR2_B = [3.76, 3.66, 3.65, 3.6, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73]


@pytest.mark.parametrize(
    ("a", "b", "low", "high", "equivalent"),
    [
        (VAR1_A, VAR1_B, -0.0744336620516462, 0.4037669953849797, True),
        (VAR2_A, VAR2_B, 0.1261653305099018, 0.999168002823431, False),
    ],
)
def test_agreement_is_a_published_test_of_equivalence(
    a: list[float], b: list[float], low: float, high: float, equivalent: bool
) -> None:
    # R package `equivalence`, tost(eps = 0.6), α 0.05, hence an interval of 90 %.
    interval = iid_interval(np.subtract(a, b))
    half_width = student_t(0.95, 14) * math.sqrt(interval.long_run_variance / interval.n)
    assert (interval.mean - half_width, interval.mean + half_width) == pytest.approx((low, high))
    assert (decide(interval.mean, half_width, 0.6) == "agrees") is equivalent


@given(st.lists(st.integers(-40, 40), min_size=4, max_size=20), st.floats(0.05, 4))
def test_agreement_at_95_pct_is_two_tests_of_2_5_pct(tenths: list[int], tolerance: float) -> None:
    differences = np.array(tenths) / 10
    if np.ptp(differences) == 0:
        return
    p_value = ttost_paired(differences, np.zeros(differences.size), -tolerance, tolerance)[0]
    interval = iid_interval(differences)
    if abs(p_value - 0.025) > 1e-9:
        assert (decide(interval.mean, interval.half_width, tolerance) == "agrees") == (p_value < 0.025)


@pytest.mark.parametrize(
    ("away", "half_width", "word"),
    [
        (0.5, 0.9, "agrees"),
        (-0.5, 0.9, "agrees"),
        (0.5, 1.0, "undecided"),
        (2.0, 0.7, "undecided"),
        (2.0, 0.5, "differs"),
        (-2.0, 0.5, "differs"),
        (0.0, math.inf, "undecided"),
        (math.nan, 0.1, "undecided"),
    ],
)
def test_words(away: float, half_width: float, word: str) -> None:
    assert decide(away, half_width, 1.41) == word


@given(st.floats(-5, 5), st.floats(0.01, 10), st.floats(0.1, 5), st.floats(30, 600))
def test_so_many_more_seconds_do_decide(away: float, half_width: float, tolerance: float, fresh_s: float) -> None:
    more_s = seconds_to_decide(away, half_width, tolerance, fresh_s)
    assert more_s >= 0
    if math.isfinite(more_s) and more_s < 1e9:
        then = half_width * math.sqrt(fresh_s / (fresh_s + more_s)) * (1 - 1e-6)
        assert decide(away, then, tolerance) != "undecided"


def test_at_the_very_edge_no_time_decides() -> None:
    assert math.isinf(seconds_to_decide(1.5, 0.2, 1.5, 180))
    assert math.isinf(seconds_to_decide(0.0, math.inf, 1.5, 180))
    assert seconds_to_decide(0.0, 0.2, 1.5, 180) == 0


def segment(mean: float, half_width: float = 0.3) -> MeanInterval:
    variance = 180 * (half_width / student_t(0.975, 12)) ** 2
    return MeanInterval(mean, half_width, 180, 40.0, variance, 12, "ride", too_short=False)


def test_segments_are_averaged_and_do_not_vote() -> None:
    # One of five would say "differs" by itself.
    found = [segment(m) for m in (0.9, 0.6, 1.8, 0.7, 1.0)]
    assert judge_segment(found[2], 1.41) == "differs"
    judgement = judge_segments(found, 1.41)
    assert judgement.away_pct == pytest.approx(1.0)
    assert judgement.word == "undecided"
    assert judgement.more_repeats
    # t(4) of 97.5 % is 2.776 (printed tables); sd of the five 0.474.
    assert judgement.half_width_pct == pytest.approx(2.776 * 0.4743 / math.sqrt(5), rel=1e-3)


def test_segments_that_agree_by_luck_keep_their_own_doubt() -> None:
    judgement = judge_segments([segment(0.5), segment(0.5), segment(0.5)], 1.41)
    assert judgement.half_width_pct == pytest.approx(1.96 * 0.3 / 2.179 / math.sqrt(3), rel=1e-3)
    assert judgement.word == "agrees"
    assert judgement.more_repeats == 0


def test_fewer_than_three_segments_decide_nothing() -> None:
    short = replace(segment(9.0), too_short=True)
    judgement = judge_segments([segment(9.0), segment(9.0), short], 1.41)
    assert (judgement.word, judgement.repeats, judgement.more_repeats) == ("undecided", 2, 1)
    assert "3 segments" in judgement.reason
    assert judge_segment(short, 1.41) == "undecided"
    assert judge_segments([], 1.41).word == "undecided"


def test_one_sprint_alone_never_differs() -> None:
    # Common practice, no published source: one outdoor sprint some 10 % apart stays undecided.
    for sprints in ([10.0], [10.0, 10.1, 9.9]):
        judgement = judge_sprints(sprints, 1.41, unlike_smoothing=False)
        assert judgement.word == "undecided"
        assert judgement.more_repeats == 4 - len(sprints)
    assert judge_sprints([10.0, 10.1, 9.9, 10.2], 1.41, unlike_smoothing=True).word == "differs"


def test_unlike_smoothing_is_allowed_for() -> None:
    sprints = [2.2, 2.4, 2.3, 2.1]
    assert judge_sprints(sprints, 1.41, unlike_smoothing=False).word == "differs"
    assert judge_sprints(sprints, 1.41, unlike_smoothing=True).word == "undecided"


def test_scattering_sprints_say_how_many_more() -> None:
    judgement = judge_sprints([0.3, -1.6, 1.9, 0.1, -0.5], 1.41, unlike_smoothing=False)
    assert judgement.word == "undecided"
    assert judgement.more_repeats == 1
    # At the edge of the tolerance no number would do.
    assert judge_sprints([1.0, 1.8, 1.4, 1.44], 1.41, unlike_smoothing=False).more_repeats is None


def test_good_meters_seldom_differ_and_wrong_ones_seldom_agree_in_a_small_experiment() -> None:
    good, wrong = run_verdicts(0.5, rides=60), run_verdicts(2.0, rides=60)
    assert good.ride_pct["differs"] <= 2.5
    assert wrong.ride_pct["agrees"] <= 2.5
    # And the words are told, not withheld.
    assert good.ride_pct["agrees"] > 50
    assert wrong.ride_pct["differs"] > 90


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_good_meters_seldom_differ_and_wrong_ones_seldom_agree() -> None:
    good, wrong = run_verdicts(0.5, rides=2000), run_verdicts(2.0, rides=2000)
    assert max(good.ride_pct["differs"], good.segment_pct["differs"]) <= 2.5
    assert max(wrong.ride_pct["agrees"], wrong.segment_pct["agrees"]) <= 2.5
