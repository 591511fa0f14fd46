"""Segment figures against sums done by hand, and against what must not change them."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import parse_bench
from analysis.comparison import Setup
from analysis.meter_signal import MeterSignal, bench_signals, meter_signal
from analysis.samples import SensorSamples, Series
from analysis.segment_metrics import SegmentMetrics, segment_metrics
from analysis.segments import Segment

S = 1_000_000_000


def series(times_s: list[float], values: list[float]) -> Series:
    return Series(np.array([round(t * S) for t in times_s], np.int64), np.array(values, float))


def meter(name: str, times_s: list[float], power_w: list[float], cadence_rpm: float = 90) -> MeterSignal:
    power = series(times_s, power_w)
    cadence = series(times_s, [cadence_rpm] * len(times_s))
    return meter_signal(name, [SensorSamples(name, power_w=power, cadence_rpm=cadence, arrivals_ns=power.host_ns)])


def segment(start_s: float, stop_s: float, settle_s: float = 0) -> Segment:
    return Segment(1, "s", round(start_s * S), round(stop_s * S), settle_ns=round(settle_s * S))


def figures_of(signals: dict[str, MeterSignal], part: Segment, reference: str | None) -> SegmentMetrics:
    return segment_metrics(signals, [part], Setup(reference))[0]


def test_mean_is_weighted_by_time_and_settling_is_left_out() -> None:
    # 300 W for 2 s (of which 1 s settles), then 100 W for 1 s, then 200 W for 2 s: (300 + 100 + 400) / 4 = 200.
    alder = meter("Alder", [0, 2, 3], [300, 100, 200])
    figures = figures_of({"Alder": alder}, segment(0, 5, settle_s=1), None).meters["Alder"]
    assert figures.mean_power_w == pytest.approx(200)
    assert figures.greatest_1s_w == pytest.approx(300)
    assert figures.mean_cadence_rpm == pytest.approx(90)
    assert figures.coverage_pct == 100
    assert figures.gaps == 0


def test_a_gap_is_neither_zero_nor_filled() -> None:
    # At 90 rpm a sample holds 2.5 s: 200 W covers 0 to 2.5 s, then nothing until 6 s.
    alder = meter("Alder", [0, 6, 7], [200, 100, 100])
    figures = figures_of({"Alder": alder}, segment(0, 8), None).meters["Alder"]
    assert figures.mean_power_w == pytest.approx((200 * 2.5 + 100 * 2) / 4.5)
    assert figures.coverage_pct == pytest.approx(100 * 4.5 / 8)
    assert figures.gaps == 1
    assert figures.longest_gap_s == pytest.approx(3.5)
    assert figures.rate_hz == pytest.approx(3 / 8)


def test_at_low_cadence_a_sample_holds_for_a_turn_and_a_half() -> None:
    # 30 rpm: 1.5 turns take 3 s (DESIGN, time).
    alder = meter("Alder", [0], [200], cadence_rpm=30)
    assert figures_of({"A": alder}, segment(0, 6), None).meters["A"].coverage_pct == pytest.approx(50)


def test_the_difference_counts_only_seconds_in_which_both_are_fresh() -> None:
    alder = meter("Alder", list(range(10)), [200] * 10)
    cedar = meter("Cedar", [0, 1, 2, 3, 8, 9], [190, 190, 190, 190, 150, 150])
    difference = figures_of({"Alder": alder, "Cedar": cedar}, segment(0, 10), "Alder").comparisons["Cedar"]
    # Cedar is stale from 5.5 s to 8 s: seconds 0-4 and 8-9 remain.
    assert difference.seconds == 7
    assert difference.mean_difference_w == pytest.approx((5 * -10 + 2 * -50) / 7)
    assert difference.difference_pct.mean == pytest.approx(100 * (5 * -10 + 2 * -50) / 7 / 200)


@pytest.mark.parametrize("order", ["A B C D", "A C B D", "D C B A"])
def test_a_cadence_that_dies_takes_no_seconds_from_two_healthy_meters(order: str) -> None:
    """Only C and D tell the cadence: C until 20 s, D from 10 s on, and nobody pedals from 40 s to 50 s."""
    times, rest = [float(t) for t in range(60)], range(40, 50)
    turning = [0.0 if t in rest else 90.0 for t in times]
    signals = {
        "A": meter_signal("A", [SensorSamples("A", power_w=series(times, [200.0] * 60))]),
        "B": meter_signal("B", [SensorSamples("B", power_w=series(times, [190.0] * 60))]),
        "C": meter_signal("C", [SensorSamples("C", cadence_rpm=series(times[:20], turning[:20]))]),
        "D": meter_signal("D", [SensorSamples("D", cadence_rpm=series(times[10:], turning[10:]))]),
    }
    told = {name: signals[name] for name in order.split()}
    # 5 s on either side of the rest are left out as well.
    assert figures_of(told, segment(0, 60), "A").comparisons["B"].seconds == 60 - 20


def test_two_radios_are_added_only_where_both_are_fresh() -> None:
    left = SensorSamples("A/1", power_w=series([0, 1, 2, 3], [100, 110, 120, 130]))
    right = SensorSamples("A/2", power_w=series([0, 1], [90, 90]))
    joined = meter_signal("A", [left, right])
    figures = figures_of({"A": joined}, segment(0, 6), None).meters["A"]
    # The right side goes stale at 3.5 s: 190, 200, 210 for a second each, 220 for half a second.
    assert figures.mean_power_w == pytest.approx((190 + 200 + 210 + 110) / 3.5)
    assert figures.coverage_pct == pytest.approx(100 * 3.5 / 6)


def test_a_radio_that_never_sent_leaves_no_half_meter() -> None:
    bench = parse_bench(
        b'[bench]\nname="b"\n[[meter]]\nname="A"\nplace="pedals"\ncombine="sum"\n'
        b'addresses=["F0:00:00:00:00:01","F0:00:00:00:00:02"]\n'
    )
    assert bench_signals(bench, {"A/1": SensorSamples("A/1", power_w=series([0], [100]))}) == {}


@pytest.mark.parametrize("times", [[], [100.0]])
def test_a_meter_without_data_in_the_segment_says_so(times: list[float]) -> None:
    alder = meter("Alder", [0, 1, 2], [200, 200, 200])
    silent = meter("Oak", times, [200.0] * len(times))
    result = figures_of({"Alder": alder, "Oak": silent}, segment(0, 4), "Alder")
    figures = result.meters["Oak"]
    assert math.isnan(figures.mean_power_w)
    assert figures.coverage_pct == 0
    assert figures.gaps == 1
    if times:
        assert result.comparisons["Oak"].seconds == 0
        assert math.isnan(result.comparisons["Oak"].mean_difference_w)


def test_all_zeros_and_an_empty_segment_divide_nothing_by_zero() -> None:
    coasting = {"A": meter("A", [0, 1, 2], [0, 0, 0]), "B": meter("B", [0, 1, 2], [0, 0, 0])}
    difference = figures_of(coasting, segment(0, 3), "A").comparisons["B"]
    assert difference.mean_difference_w == 0
    assert math.isnan(difference.difference_pct.mean)
    empty = figures_of(coasting, segment(1, 1), "A")
    assert math.isnan(empty.meters["A"].mean_power_w)
    assert empty.comparisons["B"].seconds == 0


@given(
    st.lists(st.tuples(st.floats(0.05, 4.0), st.integers(-50, 1500)), min_size=1, max_size=40),
    st.integers(0, 10**9),
)
def test_a_shift_of_the_clock_changes_no_figure(steps: list[tuple[float, int]], shift_ms: int) -> None:
    times = np.cumsum([gap for gap, _ in steps])
    power = [float(w) for _, w in steps]
    shift_s = shift_ms / 1000
    here = figures_of({"A": meter("A", list(times), power)}, segment(0, 30), None).meters["A"]
    moved = meter("A", [t + shift_s for t in times], power)
    there = figures_of({"A": moved}, segment(shift_s, 30 + shift_s), None).meters["A"]
    assert here.gaps == there.gaps
    for name in ("mean_power_w", "greatest_1s_w", "coverage_pct", "longest_gap_s"):
        assert getattr(here, name) == pytest.approx(getattr(there, name), abs=1e-5, nan_ok=True)
