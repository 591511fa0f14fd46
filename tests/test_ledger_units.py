"""What a ledger tells of a unit and of two rides, from invented rides whose truth is known."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from analysis.command_line import main
from analysis.errors import BadInput
from analysis.ledger import ledger_words as words
from analysis.ledger.battery_life import BatteryLife, battery_life
from analysis.ledger.compare_rides import compare_rides, find_ride
from analysis.ledger.ride_scatter import Reading, mean_of_rides, slope_within, step_between
from analysis.ledger.unit_history import UnitHistory, unit_history
from analysis.ledger.unit_lines import comparison_lines, unit_lines
from analysis.ledger.unit_rides import UnitRide, from_the_other_side, unit_rides
from tests.ledger_rides import START_NS, Against, ledger_of, made_results

BETWEEN_PCT, WITHIN_PCT = 0.2, 0.1
MONTH_DAYS = 30.44


def series(
    place: Path,
    away_pct: Sequence[float],
    *,
    firmware: Sequence[str] | None = None,
    days: Sequence[float] | None = None,
    seed: int = 1,
    between: float = BETWEEN_PCT,
) -> UnitHistory:
    """birch-1 against alder-1 in several rides of four steps, seen from birch-1."""
    noise = np.random.default_rng(seed)
    tables = []
    for n, mean in enumerate(away_pct):
        steps = mean + between * noise.standard_normal() + WITHIN_PCT * noise.standard_normal(4)
        other = Against("birch-1", steps.tolist(), firmware[n] if firmware else "1.0")
        tables.append(made_results(f"r{n:02d}", days[n] if days else 7.0 * n, "alder-1", [other]))
    return unit_history(ledger_of(place, tables).snapshot(), "birch-1")


# -- rides of a unit -------------------------------------------------------------------------------------------


def test_a_unit_is_seen_the_same_as_meter_and_as_reference(tmp_path: Path) -> None:
    folder = ledger_of(
        tmp_path / "l",
        [
            made_results("a", 0, "alder-1", [Against("birch-1", [2.0, 2.0, 2.0])]),
            made_results("b", 1, "birch-1", [Against("alder-1", [-1.9607843] * 3)]),
        ],
    )
    pairs = [p for ride in unit_rides(folder.snapshot(), "birch-1") for p in ride.pairs]
    assert [p.partner for p in pairs] == ["alder-1", "alder-1"]
    assert [p.away_pct for p in pairs] == pytest.approx([2.0, 2.0])
    other = [p.away_pct for ride in unit_rides(folder.snapshot(), "alder-1") for p in ride.pairs]
    assert other == pytest.approx([-1.9607843] * 2)


def test_seeing_from_the_other_side_twice_changes_nothing() -> None:
    assert from_the_other_side(*from_the_other_side(-5.4, 0.3)) == pytest.approx((-5.4, 0.3))


def test_an_unknown_unit_is_told_with_those_there_are(tmp_path: Path) -> None:
    folder = ledger_of(tmp_path / "l", [made_results("a", 0, "alder-1", [Against("birch-1", [1.0])])])
    with pytest.raises(BadInput, match=r"no unit named `cedar-1`; there are alder-1, birch-1"):
        unit_rides(folder.snapshot(), "cedar-1")


# -- firmware --------------------------------------------------------------------------------------------------


def test_a_firmware_step_is_found_from_three_rides_before_and_three_after(tmp_path: Path) -> None:
    history = series(tmp_path / "l", [0.3] * 3 + [-1.2] * 3, firmware=["2.0.4"] * 3 + ["2.1.0"] * 3)
    assert [(e.firmware, e.rides) for e in history.epochs] == [("2.0.4", 3), ("2.1.0", 3)]
    (step,) = history.steps
    assert step.change_pct.nonzero
    assert abs(step.change_pct.value - -1.5) <= step.change_pct.half_width < 1.0
    assert words.step_sentence(step).startswith(f"after 2.1.0: {step.change_pct.value:+.1f} ± ")


def test_the_interval_of_a_firmware_step_covers_and_is_not_found_where_there_is_none() -> None:
    noise = np.random.default_rng(3)
    covered = found = 0
    for _ in range(2000):
        sides = [[Reading(m + BETWEEN_PCT * noise.standard_normal(), 0.05) for _ in range(3)] for m in (0.0, -1.5)]
        step = step_between(sides[0], sides[1])
        covered += abs(step.value + 1.5) <= step.half_width
        found += step.nonzero
    assert 0.94 <= covered / 2000 <= 0.97
    assert found / 2000 > 0.99
    assert not step_between(sides[0], sides[0]).nonzero


def test_a_partner_who_changed_at_the_same_time_explains_nothing(tmp_path: Path) -> None:
    rides = [
        made_results(
            f"r{n}",
            n,
            "alder-1",
            [Against("birch-1", [0.0 if n < 3 else 2.0] * 4, "1.0" if n < 3 else "2.0")],
            reference_firmware="1.0" if n < 3 else "9.9",
        )
        for n in range(6)
    ]
    assert unit_history(ledger_of(tmp_path / "l", rides).snapshot(), "birch-1").steps == ()


def test_a_partner_with_two_firmwares_is_two_partners_of_an_epoch(tmp_path: Path) -> None:
    rides = [
        made_results(f"r{n}", n, "alder-1", [Against("birch-1", [0.0 if n < 3 else 2.0] * 4, "1" if n < 3 else "2")])
        for n in range(6)
    ]
    (epoch,) = unit_history(ledger_of(tmp_path / "l", rides).snapshot(), "alder-1").epochs
    assert {name: round(e.value, 2) for name, e in epoch.against.items()} == {
        "birch-1 (1)": 0.0,
        "birch-1 (2)": -1.96,
    }


def test_a_firmware_that_comes_back_is_an_epoch_of_its_own(tmp_path: Path) -> None:
    history = series(tmp_path / "l", [0.0] * 4, firmware=["1.0", "2.0", "2.0", "1.0"])
    assert [(e.firmware, e.rides) for e in history.epochs] == [("1.0", 1), ("2.0", 2), ("1.0", 1)]
    assert all(not s.change_pct.known for s in history.steps)
    assert "an interval needs two rides on either side" in words.step_sentence(history.steps[0])


# -- drift -----------------------------------------------------------------------------------------------------


def test_drift_is_found_with_its_interval_and_a_firmware_step_is_no_drift(tmp_path: Path) -> None:
    months = [float(m) for m in range(8)]
    days = [m * MONTH_DAYS for m in months]
    history = series(tmp_path / "a", [-0.3 * m for m in months], days=days)
    (drift,) = history.drifts
    assert drift.per_month_pct.nonzero
    assert abs(drift.per_month_pct.value + 0.3) <= drift.per_month_pct.half_width
    assert drift.months == pytest.approx(7.0)
    assert "per month over 7.0 months" in words.drift_sentence(drift)

    stepped = series(tmp_path / "b", [0.0] * 4 + [-2.0] * 4, days=days, firmware=["1"] * 4 + ["2"] * 4)
    assert not stepped.drifts[0].per_month_pct.nonzero
    assert words.drift_sentence(stepped.drifts[0]).endswith("no drift shown.")


def test_drift_is_not_told_from_too_little(tmp_path: Path) -> None:
    few = series(tmp_path / "a", [0.0, 0.1], days=[0, 40])
    assert "at least 3 rides" in words.drift_sentence(few.drifts[0])
    close = series(tmp_path / "b", [0.0] * 5, days=[0, 1, 2, 3, 4])
    assert "within a week" in words.drift_sentence(close.drifts[0])


def test_a_slope_is_that_of_statsmodels() -> None:
    import statsmodels.api as sm  # reference: ordinary least squares with one level per group

    noise = np.random.default_rng(4)
    x = [np.arange(4.0), np.arange(5.0) + 10]
    y = [0.5 * v + level + noise.standard_normal(v.size) for v, level in zip(x, (1.0, 7.0), strict=True)]
    found = slope_within([(a.tolist(), [Reading(v, 0.0) for v in b]) for a, b in zip(x, y, strict=True)])
    levels = np.zeros((9, 2))
    levels[:4, 0] = levels[4:, 1] = 1
    fit = sm.OLS(np.concatenate(y), np.column_stack([np.concatenate(x), levels])).fit()
    assert found.value == pytest.approx(fit.params[0])
    assert found.value + found.half_width == pytest.approx(fit.conf_int()[0][1])


def test_luck_in_few_rides_does_not_make_them_surer_than_each_is() -> None:
    assert mean_of_rides([Reading(1.0, 0.8)] * 4).half_width == pytest.approx(0.4)
    assert mean_of_rides([]).known is False


# -- battery ---------------------------------------------------------------------------------------------------


def battery_rides(levels: Sequence[tuple[float | None, float | None]], hours: float = 2.0) -> list[UnitRide]:
    return [
        UnitRide(str(n), n, hours * 3600, "pedals", None, {"battery_first_pct": a, "battery_last_pct": b}, ())
        for n, (a, b) in enumerate(levels)
    ]


def test_battery_life_from_the_level_over_the_recorded_hours() -> None:
    # 50 h from full to empty: 4 % in each ride of two hours, charged once in between.
    levels = [(100 - 4 * n, 96 - 4 * n) for n in range(10)] + [(100 - 4 * n, 96 - 4 * n) for n in range(5)]
    found = battery_life(battery_rides(levels))
    assert found.hours == pytest.approx(50.0)
    assert found.low_h < 50.0 < found.high_h < 60.0
    assert found.drop_pct == 60.0
    assert found.over_h == pytest.approx(30.0)
    assert words.battery_sentence(found, 60).startswith("A battery lasts 50 h of recording (95 %: ")


def test_battery_life_is_covered_by_its_interval_for_levels_in_whole_per_cent() -> None:
    noise = np.random.default_rng(6)
    covered = 0
    for _ in range(300):
        rate, level, levels = 1.7, 100.0 - 20 * noise.random(), []
        for _ in range(8):
            levels.append((math.floor(level), math.floor(level - 2 * rate)))
            level -= 2 * rate
        found = battery_life(battery_rides(levels))
        covered += found.low_h <= 100 / rate <= found.high_h
    assert covered / 300 >= 0.94


@pytest.mark.parametrize(
    ("levels", "why"),
    [
        ([(None, None)] * 3, "no battery level was told"),
        ([(100, 99), (99, 98)], "fell by 2 % only"),
        ([(100, 90)], "scatter too much"),
        ([(100, 70), (72, 71), (73, 72)], "scatter too much"),
    ],
)
def test_battery_life_is_not_told_from_too_little(levels: list[tuple[float | None, float | None]], why: str) -> None:
    found = battery_life(battery_rides(levels))
    assert math.isnan(found.hours)
    assert why in found.why_not
    assert "not known" in words.battery_sentence(found, None)


# -- fitness ---------------------------------------------------------------------------------------------------


def test_a_unit_that_repeats_well_is_fit_to_be_the_reference(tmp_path: Path) -> None:
    history = series(tmp_path / "l", [0.1] * 8, between=0.1)
    fitness = history.fitness
    assert fitness.fit
    assert fitness.precision is not None
    assert 2 * fitness.precision.upper_sd <= fitness.claim_pct
    sentence = words.fitness_sentence("birch-1", fitness)
    assert sentence.startswith("birch-1 is fit to be the reference: repeatability 0.")
    assert "8 sessions with alder-1" in sentence


def test_more_rides_are_asked_for_where_they_would_show_it(tmp_path: Path) -> None:
    fitness = series(tmp_path / "l", [0.0, 0.3, -0.2], between=0.0).fitness
    assert not fitness.fit
    assert fitness.more_sessions is not None
    assert fitness.more_sessions >= 1
    sentence = words.fitness_sentence("birch-1", fitness)
    assert f"about {fitness.more_sessions} more ride" in sentence


@pytest.mark.parametrize(
    ("away", "between", "why"),
    [([0.0] * 6, 1.0, "scatters too much"), ([3.0] * 8, 0.1, "two alone cannot tell who is off")],
)
def test_who_scatters_or_differs_is_not_fit(tmp_path: Path, away: list[float], between: float, why: str) -> None:
    fitness = series(tmp_path / "l", away, between=between).fitness
    assert not fitness.fit
    assert why in words.fitness_sentence("birch-1", fitness)
    assert fitness.more_sessions is None


# -- two rides -------------------------------------------------------------------------------------------------


def test_the_difference_of_differences_is_taken_step_by_step(tmp_path: Path) -> None:
    steps = np.array([0.5, 1.0, 1.5, 2.0])  # what depends on the step cancels
    folder = ledger_of(
        tmp_path / "l",
        [
            made_results("before", 0, "alder-1", [Against("birch-1", steps.tolist())]),
            made_results("after", 9, "alder-1", [Against("birch-1", (steps - 1.8).tolist(), "2.1.0")]),
        ],
    )
    found = compare_rides(folder.snapshot(), "before", "after")
    (pair,) = found.pairs
    assert pair.change_pct.value == pytest.approx(-1.8)
    # Each step brings 0.1·√4 = 0.2 on either side: hypot(0.2, 0.2)/√4.
    assert pair.change_pct.half_width == pytest.approx(math.hypot(0.2, 0.2) / 2)
    assert pair.common_steps == 4
    assert pair.changed
    assert "not known and may add to it" in words.change_sentence(pair)
    printed = "\n".join(comparison_lines(found))
    assert "birch-1: firmware 1.0 before, 2.1.0 after." in printed


def test_what_differs_between_sessions_is_counted_in_once_it_is_known(tmp_path: Path) -> None:
    noise = np.random.default_rng(8)
    others = [
        made_results(
            f"o{n}", n, "alder-1", [Against("birch-1", (0.5 * noise.standard_normal() + np.zeros(4)).tolist())]
        )
        for n in range(6)
    ]
    pair = [
        made_results("before", 20, "alder-1", [Against("birch-1", [0.0] * 4)]),
        made_results("after", 21, "alder-1", [Against("birch-1", [0.4] * 4)]),
    ]
    (alone,) = compare_rides(ledger_of(tmp_path / "a", pair).snapshot(), "before", "after").pairs
    assert alone.changed
    (known,) = compare_rides(ledger_of(tmp_path / "b", [*others, *pair]).snapshot(), "before", "after").pairs
    assert known.sessions == 6
    assert known.half_width_pct > 1.0
    assert not known.changed
    assert "no change shown" in words.change_sentence(known)


def test_a_changed_interval_between_rides_covers(tmp_path: Path) -> None:
    noise = np.random.default_rng(9)
    truths = 0.3 * noise.standard_normal(96)
    covered = 0
    for start in range(0, 96, 8):
        rides = [
            made_results(f"r{n}", n, "alder-1", [Against("birch-1", (t + 0.05 * noise.standard_normal(4)).tolist())])
            for n, t in enumerate(truths[start : start + 8])
        ]
        snapshot = ledger_of(tmp_path / str(start), rides).snapshot()
        (pair,) = compare_rides(snapshot, "r0", "r1").pairs
        covered += not pair.changed  # the units themselves never changed
    assert covered >= 10  # of 12 at 95 %: fewer has a chance of 2 %, and the seed is fixed


def test_the_reference_may_have_changed_sides(tmp_path: Path) -> None:
    folder = ledger_of(
        tmp_path / "l",
        [
            made_results("a", 0, "alder-1", [Against("birch-1", [1.0] * 4)]),
            made_results("b", 1, "birch-1", [Against("alder-1", [from_the_other_side(1.0, 0)[0]] * 4)]),
        ],
    )
    (pair,) = compare_rides(folder.snapshot(), "a", "b").pairs
    assert pair.change_pct.value == pytest.approx(0.0, abs=1e-9)


def test_rides_are_found_by_the_beginning_of_their_session_or_name(tmp_path: Path) -> None:
    tables = [made_results(name, n, "alder-1", []) for n, name in enumerate(["4f1a", "4f2b", "9c07"])]
    snapshot = ledger_of(tmp_path / "l", tables).snapshot()
    assert find_ride(snapshot, "9c")["session"] == "9c07"
    assert find_ride(snapshot, "somewhere/4f1a.parquet")["session"] == "4f1a"
    with pytest.raises(BadInput, match="fits 2 rides"):
        find_ride(snapshot, "4f")
    with pytest.raises(BadInput, match="no ride `zz`"):
        find_ride(snapshot, "zz")
    with pytest.raises(BadInput, match="two different rides"):
        compare_rides(snapshot, "4f1a", "4f1a")


# -- words and command -----------------------------------------------------------------------------------------


def test_open_questions_are_asked_in_words(tmp_path: Path) -> None:
    facts = {"expected_firmware": "3.0", "claim_pct": None, "battery_last_pct": 12.0}
    folder = ledger_of(
        tmp_path / "l",
        [
            made_results("a", 0, "alder-1", [Against("birch-1", [5.0] * 4, "2.0", {**facts, "serial": "1"})]),
            made_results("b", 1, "alder-1", [Against("birch-1", [5.0] * 4, "2.0", {**facts, "serial": "2"})]),
        ],
    )
    asked = " ".join(words.open_questions(unit_history(folder.snapshot(), "birch-1")))
    for part in (
        "Its serial changed: 1, then 2.",
        "expects firmware 3.0; the unit told 2.0 last",
        "No zero offset that was done is recorded in 2 of 2 rides",
        "states no claim",
        "stood at 12 %",
        "It differs from alder-1 in every ride",
    ):
        assert part in asked


def test_show_and_compare_print_lines_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = {"name": "spider", "mass_g": 148.0, "claimed_mass_g": 150.0, "price": 480.0, "currency": "EUR"}
    zero = {"at_s": 4.0, "result": "done", "raw": 12.0, "unit": None, "offset_nm": None}
    facts = {"serial": "\x1b[31m", "parts": [part], "zero_offsets": [zero]}
    ledger_of(
        tmp_path / "l",
        [made_results(f"r{n}", n, "alder-1", [Against("birch-1", [0.1, 0.2, 0.3], "2.0", facts)]) for n in range(2)],
    )
    place = ["--ledger", str(tmp_path / "l")]
    assert main(["ledger", "show", "birch-1", *place]) == 0
    printed = capsys.readouterr().out
    assert "\x1b" not in printed
    assert "spider, 148 g (claimed 150 g), 480 EUR" in printed
    assert "2026-11-25 13:57, 60 min, 2.0; zero: raw 12" in printed
    assert main(["ledger", "show", "birch-1", "--json", *place]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["rides"][0]["start_utc_ns"] == START_NS
    assert told["fitness"]["fit"] is False
    assert main(["ledger", "compare", "r0", "r1", "--json", *place]) == 0
    assert json.loads(capsys.readouterr().out)["pairs"][0]["changed"] is False
    assert main(["ledger", "compare", "r0", "r1", *place]) == 0
    assert "no change shown" in capsys.readouterr().out


def test_lines_for_a_unit_keep_to_the_width_of_a_terminal(tmp_path: Path) -> None:
    history = series(tmp_path / "l", [0.3] * 3 + [-1.2] * 3, firmware=["2.0.4"] * 3 + ["2.1.0"] * 3)
    assert max(len(line) for line in unit_lines(history)) <= 80
    assert isinstance(history.battery, BatteryLife)
