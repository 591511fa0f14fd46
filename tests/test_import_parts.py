"""The parts of an import by themselves: whose file, which clock, which segments; and the words for them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import Bench, parse_bench
from analysis.clock_alignment import Alignment, Jump, Track, Window
from analysis.errors import BadInput
from analysis.ride_files.csv_mapping import CsvMapping, parse_mapping
from analysis.ride_files.opening import read_ride_file
from analysis.ride_files.ride_file import Keep, RideFile
from analysis.ride_source import clock_line, clock_sentence
from analysis.segment_proposals import ProposedSegment
from recorder.import_clocks import PlacedClock, place_clocks, stated_offsets
from recorder.import_files import GivenFile, given_files, mappings_of, read_files
from recorder.import_segments import (
    WantedSegment,
    checked_segments,
    listed_segments,
    proposal_lines,
    segments_by_hand,
)
from tests.fit_files import UTC_S, fit_of
from tests.imported_rides import BENCH

S = 1_000_000_000
TWO_RADIOS = """
[bench]
name = "Quayside bench"
[[meter]]
name = "Alder"
place = "pedals"
addresses = ["F0:00:00:00:00:01", "F0:00:00:00:00:02"]
combine = "sum"
"""


@pytest.fixture
def bench() -> Bench:
    return parse_bench(BENCH.encode())


def fit(folder: Path, name: str, start_s: int = UTC_S, seconds: int = 60, **more: Any) -> Path:
    path = folder / name
    path.write_bytes(fit_of([200.0 + len(name)] * seconds, start_s, **more))
    return path


# --- whose file ---------------------------------------------------------------------------------------------------


def test_a_stated_name_goes_before_a_path_with_the_sign(bench: Bench, tmp_path: Path) -> None:
    odd = fit(tmp_path, "a=b.fit")
    assert given_files(["Alder=x=y.fit", str(odd), "c.fit"], bench) == (
        GivenFile(Path("x=y.fit"), "Alder"),
        GivenFile(odd),
        GivenFile(Path("c.fit")),
    )
    with pytest.raises(BadInput, match="nothing named `Zelkova` on the bench; there are Alder, Birch, Cedar, Elm"):
        given_files(["Zelkova=a.fit"], bench)


def test_two_radios_need_two_files() -> None:
    with pytest.raises(BadInput, match="give Alder/1=FILE and Alder/2=FILE"):
        given_files(["Alder=a.fit"], parse_bench(TWO_RADIOS.encode()))


def test_a_file_finds_its_meter_by_serial_then_by_name(bench: Bench, tmp_path: Path) -> None:
    by_serial = fit(tmp_path, "one.fit", meter_serial=42)
    bench = parse_bench(BENCH.replace('"0042"', '"42"').encode())
    by_name = fit(tmp_path, "2026-11-25_birch.fit")
    found = read_files([GivenFile(by_name), GivenFile(by_serial)], bench, {}, Keep())
    assert {name: file.name for name, file in found.items()} == {"Alder": "one.fit", "Birch": "2026-11-25_birch.fit"}


def test_what_is_not_clear_is_asked(bench: Bench, tmp_path: Path) -> None:
    with pytest.raises(
        BadInput, match=r"whose ride is in one.fit \(.*serial 77\) is not clear; say so with NAME=one"
    ):
        read_files([GivenFile(fit(tmp_path, "one.fit", meter_serial=77))], bench, {}, Keep())
    with pytest.raises(BadInput, match="not clear"):
        read_files([GivenFile(fit(tmp_path, "alder-birch.fit"))], bench, {}, Keep())


def test_one_file_is_one_meter(bench: Bench, tmp_path: Path) -> None:
    path = fit(tmp_path, "x.fit")
    with pytest.raises(BadInput, match="two files are given for Alder"):
        read_files([GivenFile(path, "Alder"), GivenFile(path, "Alder")], bench, {}, Keep())
    with pytest.raises(BadInput, match="Alder and Birch are given the same file"):
        read_files([GivenFile(path, "Alder"), GivenFile(path, "Birch")], bench, {}, Keep())


def test_a_second_file_of_the_same_name_is_said_to_be_one(bench: Bench, tmp_path: Path) -> None:
    first, second = fit(tmp_path, "birch.fit"), fit(tmp_path, "birch_again.fit", seconds=61)
    for files in ([GivenFile(first, "Birch"), GivenFile(second)], [GivenFile(first), GivenFile(second)]):
        with pytest.raises(BadInput, match=r"birch_again.fit is named after Birch, for which another file is given"):
            read_files(files, bench, {}, Keep())


def test_a_power_meter_without_power_is_refused_and_a_cadence_sensor_is_not(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "turns.csv"
    path.write_text("t,rpm\n" + "".join(f"{t},90\n" for t in range(60)))
    mappings: dict[str | None, CsvMapping] = {None: parse_mapping("time=t,cadence=rpm")}
    with pytest.raises(BadInput, match=r"turns.csv holds no power, and Birch is a power meter"):
        read_files([GivenFile(path, "Birch")], bench, mappings, Keep())
    assert list(read_files([GivenFile(path, "Elm")], bench, mappings, Keep())) == ["Elm"]


def test_each_table_may_have_its_own_mapping(bench: Bench) -> None:
    found = mappings_of(["time=t,power=p", "Cedar:time=s,power=w"], bench)
    assert found == {None: parse_mapping("time=t,power=p"), "Cedar": parse_mapping("time=s,power=w")}
    with pytest.raises(BadInput, match="given twice for all tables"):
        mappings_of(["time=t,power=p", "time=s,power=w"], bench)


# --- which clock --------------------------------------------------------------------------------------------------


def files(folder: Path, other_start_s: int = UTC_S) -> dict[str, RideFile]:
    return {
        "Alder": read_ride_file(fit(folder, "alder.fit", seconds=100)),
        "Birch": read_ride_file(fit(folder, "birch.fit", other_start_s, seconds=100)),
    }


def found(offset_s: float, drift_ppm: float = 0.0, **more: Any) -> Alignment:
    windows = (Window(20.0, offset_s, 0.9, used=True), Window(80.0, offset_s + 9, 0.2, used=False))
    known = {"offset_half_width_s": 0.1, "drift_half_width_ppm": None, "epoch_s": 50.0, "windows": windows}
    return Alignment(offset_s=offset_s, drift_ppm=drift_ppm, carried=True, **{**known, **more})


def test_utc_of_both_is_the_guess_and_the_offset_is_that_of_the_clocks(tmp_path: Path) -> None:
    guesses = []

    def align(reference: Track, other: Track, *, guess_s: float | None = None) -> Alignment:
        guesses.append(guess_s)
        assert reference.time_s[0] == other.time_s[0] == 0
        return found(27.5)  # the records of the other began 27.5 s later

    placed = place_clocks(files(tmp_path, UTC_S + 30), "Alder", {}, align)
    assert guesses == [30.0]
    assert placed["Birch"].offset_s == -2.5, "its clock is 2.5 s ahead"
    start_ns = UTC_S * S
    assert placed["Birch"].to_reference_ns(np.array([start_ns + 30 * S])).tolist() == [start_ns + 27_500_000_000]
    assert placed["Birch"].as_dict()["windows"][0]["offset_s"] == -2.5


def test_drift_and_jumps_are_applied(tmp_path: Path) -> None:
    def align(reference: Track, other: Track, *, guess_s: float | None = None) -> Alignment:
        return found(0.0, 100.0, drift_half_width_ppm=2.0, jumps=(Jump(30.0, 3.0), Jump(70.0, 5.0)))

    clock = place_clocks(files(tmp_path), "Alder", {}, align)["Birch"]
    own_ns = UTC_S * S + np.array([0, 50, 90], np.int64) * S
    moved_s = (clock.to_reference_ns(own_ns) - own_ns) / 1e9
    assert moved_s == pytest.approx([-0.005 - 3.0, 0.0, 0.004 + 5.0], abs=1e-6)
    line = clock_line(clock.as_dict())
    assert line is not None
    assert line.offset_s[[0, -1]] == pytest.approx([-3.003, 5.003], abs=1e-9), "from the first to the last stretch"


def test_what_is_not_carried_is_tried_anywhere_and_then_refused(tmp_path: Path) -> None:
    not_carried = Alignment(math.nan, math.inf, 0.0, None, 0.0, (), carried=False, words="too steady")
    guesses: list[float | None] = []

    def an_hour_off(reference: Track, other: Track, *, guess_s: float | None = None) -> Alignment:
        guesses.append(guess_s)
        return found(3600.0) if guess_s is None else not_carried

    assert place_clocks(files(tmp_path), "Alder", {}, an_hour_off)["Birch"].offset_s == 3600.0
    assert guesses == [0.0, None]

    def never(reference: Track, other: Track, *, guess_s: float | None = None) -> Alignment:
        return not_carried

    says = r"the clock of Birch's file could not be put on that of Alder: too steady \(--offset Birch=SECONDS"
    with pytest.raises(BadInput, match=says):
        place_clocks(files(tmp_path), "Alder", {}, never)


@pytest.mark.parametrize(
    ("starts_s", "says"),
    [
        (UTC_S + 39, "only 1.0 minutes in common"),
        (UTC_S + 90_000, "no second in common"),
    ],
)
def test_files_that_hardly_meet_by_their_own_clocks_are_told_so(tmp_path: Path, starts_s: int, says: str) -> None:
    def never(reference: Track, other: Track, *, guess_s: float | None = None) -> Alignment:
        return Alignment(math.nan, math.inf, 0.0, None, 0.0, (), carried=False, words="too steady")

    with pytest.raises(BadInput, match=f"; by their own clocks the two files have {says}$"):
        place_clocks(files(tmp_path, starts_s), "Alder", {}, never)


def test_a_stated_offset_is_added_to_the_times(tmp_path: Path) -> None:
    read = files(tmp_path, UTC_S + 30)
    stated = stated_offsets(["Birch=-2.5"], read, "Alder")
    clock = place_clocks(read, "Alder", stated)["Birch"]
    assert clock.to_reference_ns(np.array([UTC_S * S + 30 * S])).tolist() == [UTC_S * S + 27_500_000_000]
    assert "as stated; drift and lag are not known" in clock_sentence(clock.as_dict())
    with pytest.raises(BadInput, match="lies 4871 s away from that of Alder"):
        place_clocks(read, "Alder", {"Birch": -5000.0})


def test_a_clock_without_utc_counts_from_its_first_record(tmp_path: Path) -> None:
    read = files(tmp_path)
    (tmp_path / "birch.csv").write_text("t,w\n" + "".join(f"{500 + s},210\n" for s in range(100)))
    read["Birch"] = read_ride_file(tmp_path / "birch.csv", mapping=parse_mapping("time=t,power=w"))
    clock = place_clocks(read, "Alder", {"Birch": 12.0})["Birch"]
    assert clock.to_reference_ns(np.array([500 * S])).tolist() == [(UTC_S + 12) * S]
    assert "counted from the first records" in clock_sentence(clock.as_dict())


@pytest.mark.parametrize("text", ["Birch", "Birch=", "Birch=soon", "Birch=nan", "Birch=1e400", "Alder=1", "Oak=1"])
def test_an_offset_that_is_none(tmp_path: Path, text: str) -> None:
    with pytest.raises(BadInput, match="--offset"):
        stated_offsets([text], files(tmp_path), "Alder")


def test_the_sentence_on_a_clock() -> None:
    clock = PlacedClock("Alder", "correlation", 0, 0, 12.25, 0.0, False, found(12.25, 8.0, drift_half_width_ppm=1.5))
    assert clock_sentence(clock.as_dict()) == (
        "its clock is put on that of Alder by +12.25 ± 0.10 s in the middle of the ride (clock and lag of the meter "
        "together), drift +8.0 ± 1.5 ppm, from 1 of 2 stretches of the ride (the others fit badly)"
    )


def test_nothing_is_said_twice_of_a_clock() -> None:
    remarks = "too short, or too steady, for the drift to be proven; 1 of 2 stretches fit badly and were left out"
    jumped = found(12.25, words=remarks, jumps=(Jump(9.0, -5.0),))
    told = clock_sentence(PlacedClock("Alder", "correlation", 0, 0, 12.25, 0.0, False, jumped).as_dict())
    assert told.endswith("(the others fit badly); one of the clocks was set by -5.0 s on the way")
    assert told.count("drift") == 1


@pytest.mark.parametrize(("offset_s", "says"), [(-7262.3, "that is about 2 h"), (1199.0, ""), (19_810.0, "5.5 h")])
def test_another_time_zone_is_told(offset_s: float, says: str) -> None:
    clocks = PlacedClock("Alder", "correlation", 0, 0, offset_s, 0.0, False, found(offset_s))
    told = clock_sentence(clocks.as_dict())
    assert ("another time zone" in told) == bool(says)
    assert says in told
    counted = PlacedClock("Alder", "correlation", 0, 0, offset_s, 0.0, True, found(offset_s))
    assert "another time zone" not in clock_sentence(counted.as_dict())


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=5), st.lists, max_leaves=5))
def test_a_foreign_alignment_breaks_no_report(value: Any) -> None:
    keys = ("reference", "method", "offset_s", "offset_half_width_s", "drift_ppm", "epoch_s", "windows", "jumps")
    told = clock_sentence(dict.fromkeys(keys, value))
    assert "\n" not in told
    clock_line(dict.fromkeys(keys, value) | {"windows": [{"centre_s": 1.0, "offset_s": 1.0}, value]})


# --- which segments -----------------------------------------------------------------------------------------------


def test_segments_count_from_the_start_or_by_utc() -> None:
    start_ns = (UTC_S + 9) * S  # 13:57:20
    given = [
        "climb=0:10:00-0:13:30",
        "a:b:sprint=1:00.5-1:20",
        "dusk=13:58:00Z-14:00:00Z",
        "late=00:10:00Z-00:11:00Z",
    ]
    climb, sprint, dusk, late = segments_by_hand(given, start_ns)
    assert segments_by_hand(["climb = 0:10:00 \u2013 0:13:30"], None) == [climb], "from a word processor"
    assert climb == WantedSegment("climb", "free", 600 * S, 810 * S)
    assert sprint == WantedSegment("a:b", "sprint", 60_500_000_000, 80 * S)
    assert dusk == WantedSegment("dusk", "free", 40 * S, 160 * S)
    assert late.start_ns == (86_400 - (13 * 3600 + 57 * 60 + 20) + 600) * S, "over midnight"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("climb", "is no segment; write name="),
        ("=0:10:00-0:11:00", "is no segment"),
        ("climb=10-20", "is no segment"),
        ("climb:steep=0:10:00-0:11:00", "its kind, one of warm-up, .*write name:free=0:10:00-0:11:00"),
        ("climb=0:42-0:49:30", "give both times with hours, or none"),
        ("climb=0:99:00-2:00:00", "no more than 59 minutes"),
        ("climb=0:10:00-0:10:60", "no more than 59 minutes and 59 seconds"),
        ("climb=0:10:00-0:09:00", "ends before it begins"),
        ("climb=10:00:00Z-10:01:00", "both times with a Z"),
        ("climb=10:00:00Z-10:01:00Z", "none of the files says what time of the day"),
    ],
)
def test_what_is_no_segment(text: str, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        segments_by_hand([text], None)


def test_segments_lie_within_the_ride() -> None:
    inside = WantedSegment("a", "free", 5 * S, 102 * S)
    assert checked_segments([inside], 100 * S) == [WantedSegment("a", "free", 5 * S, 100 * S)]
    with pytest.raises(BadInput, match=r"a: 0:00:05 to 0:03:20 lies outside the ride, which is 0:01:40 long$"):
        checked_segments([WantedSegment("a", "free", 5 * S, 200 * S)], 100 * S)


def test_a_list_of_segments_is_what_proposals_print(tmp_path: Path) -> None:
    proposed = [ProposedSegment("steady 200 #2", "steady", 60.0, 130.0, "70 s at 201 W, it's steady")] * 2
    path = tmp_path / "segments.txt"
    path.write_text("\n".join(["# mine", "", "climb=0:42:00-0:49:30", *proposal_lines(proposed, 0)]) + "\n")
    assert listed_segments(path) == ["climb=0:42:00-0:49:30"] + ["steady 200 #2:steady=0:01:00-0:02:10"] * 2


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"climb=0:42:00-0:49:30 and more", r"line 1: .* is no segment"),
        (b"\n'climb=0:42:00-0:49:30", r"line 2: .* is no segment"),
        (b"--segment a=1:00-2:00 --laps", r"line 1: .* is no segment"),
        (b"\xff\xfe\x00", "not text in UTF-8"),
        (b"a\n" * 200_000, "far longer"),
    ],
)
def test_what_is_no_list_of_segments(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "segments.txt"
    path.write_bytes(content)
    with pytest.raises(BadInput, match=says):
        listed_segments(path)
    with pytest.raises(BadInput, match="cannot be read as a list of segments: No such file"):
        listed_segments(tmp_path / "none.txt")


def test_a_segment_outside_is_held_against_the_time_of_day() -> None:
    """UTC_S is 13:57:11."""
    with pytest.raises(BadInput, match=r"0:01:40 long, from 13:57:11Z to 13:58:51Z$"):
        checked_segments([WantedSegment("a", "free", 200 * S, 300 * S)], 100 * S, UTC_S * S)


def test_a_proposal_can_be_pasted() -> None:
    proposed = ProposedSegment('steady "200"', "steady", 60.0, 130.0, "70 s at 201 W")
    (line,) = proposal_lines([proposed], 30 * S)
    assert line == "--segment \"steady '200':steady=0:01:30-0:02:40\"  # 70 s at 201 W"
    argument = line.split('"')[1]
    assert segments_by_hand([argument], None) == [WantedSegment("steady '200'", "steady", 90 * S, 160 * S)]
