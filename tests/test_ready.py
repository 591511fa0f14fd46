"""The ready check: what is not ready and why, the file it leaves, and what of it goes into the next recording."""

from __future__ import annotations

import asyncio
import datetime
import json
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import Bench, parse_bench
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature, FeatureBit
from analysis.command_line import main
from analysis.recording_reader import read_recording
from analysis.rows import Event
from recorder.bluetooth_source import BluetoothSource
from recorder.compose import RecordJob, Surroundings, bluetooth_source, record
from recorder.errors import FolderUnusable, NoBluetooth
from recorder.ready import Heard, judge_ready
from recorder.ready_file import Ready, SensorReady, ZeroValue, read_ready, ready_path, still_valid, write_ready
from recorder.ready_visit import VisitOptions, visit
from recorder.ready_words import feature_words, report, zero_instructions
from recorder.source import FindsZero, Identity, RecordSink
from recorder.storage import SystemStorage
from recorder.zero_offset import ZeroOffsetAnswer, refusal
from simulated_sensors.control_point_dialogue import ZeroBehaviour
from simulated_sensors.demo import quayside_bench, quayside_plan, ride_of
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.quayside import ALDER, BIRCH, CEDAR, DOGWOOD
from simulated_sensors.sensor_spec import SensorSpec
from simulated_sensors.simulated_meter import SimulatedMeter
from simulated_sensors.virtual_time import VirtualClock, run_virtual
from tests.riding import FakeSource, LoopClock

# Noon, so that a day is the same day in every time zone but the outermost.
NOW = datetime.datetime(2026, 11, 25, 12, tzinfo=datetime.UTC)
NOW_NS = round(NOW.timestamp() * 1e9)
HOUR_NS = 3600 * 10**9
WELL = Identity(address="F0:00:00:00:00:01", serial="0042", firmware_revision="3.4.1", battery_pct=80)


def bench(**changes: Any) -> Bench:
    lines = {"name": '"Alder"', "place": '"pedals"', "address": '"F0:00:00:00:00:01"', **changes}
    meter = "\n".join(f"{key} = {value}" for key, value in lines.items())
    return parse_bench(f'[bench]\nname = "Quayside bench"\n[[meter]]\n{meter}\n'.encode())


def zeros(*raw: int, unit: str = "1/32 N·m", key: str = "Alder") -> dict[str, tuple[ZeroValue, ...]]:
    """One each day, the last yesterday."""
    nm = 1 / 32 if unit == "1/32 N·m" else None
    first_ns = NOW_NS - len(raw) * 24 * HOUR_NS
    return {
        key: tuple(
            ZeroValue(first_ns + day * 24 * HOUR_NS, value, unit, None if nm is None else value * nm)
            for day, value in enumerate(raw)
        )
    }


def zero_answer(raw: int, unit: str = "1/32 N·m") -> ZeroOffsetAnswer:
    return ZeroOffsetAnswer("Alder", "done", "done", raw, unit, raw / 32 if unit == "1/32 N·m" else None)


def check(
    heard: Heard | None, known: dict[str, tuple[ZeroValue, ...]] | None = None, **bench_changes: Any
) -> SensorReady:
    (sensor,) = judge_ready(
        bench(**bench_changes), {"Alder": heard} if heard else {}, known or {}, NOW_NS, 30
    ).sensors
    return sensor


def blocking(sensor: SensorReady) -> list[str]:
    return [finding.what for finding in sensor.findings if finding.blocks]


def test_a_sensor_without_fault_is_ready() -> None:
    sensor = check(
        Heard(WELL, -60, 4.0, zero_answer(-12)), expected_firmware='"3.4.1"', serial='"0042"', mounted="2026-11-01"
    )
    assert sensor.ready
    assert sensor.findings == ()


def test_a_sensor_that_never_came_is_not_ready() -> None:
    sensor = check(None)
    assert blocking(sensor) == ["never_reached"]
    assert "not reached in 30 s" in sensor.findings[0].words


def test_a_connected_sensor_at_rest_may_have_sent_nothing() -> None:
    sensor = check(Heard(WELL))
    assert sensor.ready
    assert [finding.what for finding in sensor.findings] == ["no_data"]


@pytest.mark.parametrize(
    ("identity", "bench_changes", "what", "words"),
    [
        ({"firmware_revision": "3.4.0"}, {"expected_firmware": '"3.4.1"'}, "firmware", "its firmware is 3.4.0"),
        ({"firmware_revision": None}, {"expected_firmware": '"3.4.1"'}, "firmware", "does not tell its firmware"),
        ({"serial": "0043"}, {"serial": '"0042"'}, "serial", "its serial is 0043"),
        ({"battery_pct": 19}, {}, "battery", "battery at 19 %"),
        ({"crank_length_mm": 175.0}, {"crank_length_mm": 172.5}, "crank_length", "+1.45 % of power"),
        ({"crank_length_mm": 170.0}, {"crank_length_mm": 172.5}, "crank_length", "-1.45 % of power"),
    ],
)
def test_what_differs_from_the_bench_file_is_not_ready(
    identity: dict[str, Any], bench_changes: dict[str, Any], what: str, words: str
) -> None:
    """1.45 %: 2.5 mm of 172.5 mm, by the lever rule."""
    sensor = check(Heard(replace(WELL, **identity), -60, 4.0), **bench_changes)
    assert blocking(sensor) == [what]
    assert words in sensor.findings[0].words


@pytest.mark.parametrize(
    "identity", [{"battery_pct": 20}, {"battery_pct": None}, {"serial": None}, {"crank_length_mm": None}]
)
def test_what_is_enough_or_not_told_is_no_fault(identity: dict[str, Any]) -> None:
    heard = Heard(replace(WELL, **identity), -60, 4.0)
    assert check(heard, serial='"0042"', crank_length_mm=172.5).ready


def test_a_weak_signal_is_said_and_blocks_nothing() -> None:
    sensor = check(Heard(WELL, -95, 4.0))
    assert sensor.ready
    assert [finding.what for finding in sensor.findings] == ["signal"]


# -- newly mounted ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("mounted", "ready"), [("2026-11-25", False), ("2026-11-18", False), ("2026-11-17", True)])
def test_what_was_mounted_within_a_week_wants_bedding_in(mounted: str, ready: bool) -> None:
    assert check(Heard(WELL, -60, 4.0), mounted=mounted).ready is ready


def test_a_date_to_come_means_nothing() -> None:
    assert check(Heard(WELL, -60, 4.0), mounted="2027-01-01").ready


def test_a_second_zero_offset_some_time_after_the_first_ends_the_bedding_in() -> None:
    once = Heard(WELL, -60, 4.0, zero_answer(-12))
    assert blocking(check(once, mounted="2026-11-24")) == ["newly_mounted"]
    yesterday = zeros(-12)
    assert check(once, yesterday, mounted="2026-11-24").ready
    assert blocking(check(once, yesterday, mounted="2026-11-25")) == ["newly_mounted"]  # mounted anew since then


# -- zero offsets ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("known", "raw", "jumped"),
    [
        ((), 400, False),  # nothing to compare with
        ((-12,), -3, False),  # 0.28 N·m
        ((-12,), -2, True),  # 0.31 N·m
        ((-12, -11, -12, -13, -12), -5, True),  # 0.22 N·m, but seven times what is usual
        ((-12, -11, -12, -13, -12), -8, False),  # four times
        ((-12, -12, -12, -12, -12), -7, False),  # a count is the least that can be usual
        ((-12, -12, -12, -12, -12), -6, True),
        ((-12, -11, -12), -6, False),  # too little is known to call it unusual
    ],
)
def test_a_zero_offset_that_jumped_is_not_ready(known: tuple[int, ...], raw: int, jumped: bool) -> None:
    sensor = check(Heard(WELL, -60, 4.0, zero_answer(raw)), zeros(*known) if known else None)
    assert blocking(sensor) == (["zero_jumped"] if jumped else [])
    assert sensor.zero is not None
    assert (sensor.zero.before.raw if sensor.zero.before else None) == (known[-1] if known else None)


def test_values_of_another_unit_are_not_compared() -> None:
    assert check(Heard(WELL, -60, 4.0, zero_answer(900, "N")), zeros(-12)).ready


@pytest.mark.parametrize(
    ("answer", "ready"),
    [
        (refusal("Alder", 0xFE), False),
        (refusal("Alder", 0x80), False),
        (ZeroOffsetAnswer("Alder", "silent", "did not answer"), False),
        (ZeroOffsetAnswer("Alder", "failed", "it says that it failed"), False),
        (refusal("Alder", 0x06), True),  # it offers none: nothing to be done about it
        (ZeroOffsetAnswer("Alder", "done", "done; the sensor gives no value"), True),
    ],
    ids=lambda value: value.outcome if isinstance(value, ZeroOffsetAnswer) else "",
)
def test_a_zero_offset_that_was_asked_for_and_not_done_is_not_ready(answer: ZeroOffsetAnswer, ready: bool) -> None:
    sensor = check(Heard(WELL, -60, 4.0, answer))
    assert sensor.ready is ready
    assert sensor.zero is not None
    assert sensor.zero.words == answer.words


def test_zero_offsets_are_kept_by_unit() -> None:
    named = bench(unit='"alder-1"')
    found = judge_ready(named, {"Alder": Heard(WELL, zero=zero_answer(-12))}, zeros(-11, key="alder-1"), NOW_NS, 30)
    assert [zero.raw for zero in found.zeros["alder-1"]] == [-11, -12]


def test_the_two_radios_of_one_meter_are_two_sensors() -> None:
    two = parse_bench(
        b'[bench]\nname = "x"\n[[meter]]\nname = "Alder"\nplace = "pedals"\nunit = "alder-1"\ncombine = "sum"\n'
        b'addresses = ["F0:00:00:00:00:01", "F0:00:00:00:00:02"]\n'
    )
    found = judge_ready(two, {"Alder/1": Heard(WELL, -60, 4.0, zero_answer(5))}, {}, NOW_NS, 30)
    assert [(s.sensor, s.ready) for s in found.sensors] == [("Alder/1", True), ("Alder/2", False)]
    assert list(found.zeros) == ["alder-1/1"]


# -- words -----------------------------------------------------------------------------------------------------


def test_features_are_said_in_words() -> None:
    bits = CyclingPowerFeature.of(FeatureBit.BALANCE, FeatureBit.OFFSET_COMPENSATION).bits
    assert feature_words(bits) == ("left/right balance", "zero offset by radio")
    assert feature_words(None) == ()
    assert feature_words(0xFFFFFFFF)


def test_instructions_go_by_place_and_are_given_once() -> None:
    found = list(zero_instructions(quayside_bench().meter))
    assert [words.partition(":")[0] for words in found] == ["Alder, Birch, Dogwood", "Cedar"]
    assert "cranks vertical" in found[0]
    assert "spin-down of its maker" in found[1]


def test_the_report_names_every_sensor_and_its_faults() -> None:
    found = judge_ready(quayside_bench(), {"Alder": Heard(WELL, -60, 4.0)}, {}, NOW_NS, 30)
    words = report(found)
    assert words.startswith("Quayside bench: not ready")
    assert words.count("NOT READY") == 5
    assert "serial 0042, firmware 3.4.1, battery 80 %" in words
    assert max(map(len, words.splitlines())) <= 92


# -- the file --------------------------------------------------------------------------------------------------

values = st.builds(ZeroValue, st.integers(0, 2**62), st.integers(-32768, 32767), st.just("N"), st.none())


@given(st.lists(values, max_size=5), st.text(max_size=20))
def test_a_check_is_read_back_as_it_was_written(known: list[ZeroValue], name: str) -> None:
    ready = Ready(bench="x", checked_utc_ns=NOW_NS, sensors=(SensorReady(sensor="Alder"),), zeros={"a": tuple(known)})
    with tempfile.TemporaryDirectory() as folder:
        path = ready_path(Path(folder) / "bench.toml")
        assert path.name == "bench.ready.json"
        write_ready(path, ready)
        assert read_ready(path) == ready
        assert [p.name for p in Path(folder).iterdir()] == [path.name]


@pytest.mark.parametrize("data", [b"", b"{}", b"[]", b"\xff", b'{"wattproof_ready": 2}', b"[" * 100_000])
def test_a_file_that_cannot_be_read_is_no_check(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "bench.ready.json"
    assert read_ready(path) is None
    path.write_bytes(data)
    assert read_ready(path) is None


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    ready = Ready(bench="x", checked_utc_ns=NOW_NS, sensors=())
    with pytest.raises(FolderUnusable, match="cannot be written"):
        write_ready(tmp_path / "missing" / "bench.ready.json", ready)


@pytest.mark.parametrize(("age_h", "valid"), [(0, True), (11.9, True), (12.1, False), (-0.05, True), (-1, False)])
def test_a_check_holds_for_twelve_hours(age_h: float, valid: bool) -> None:
    ready = Ready(
        bench="x", checked_utc_ns=NOW_NS, sensors=(SensorReady(sensor="Alder"), SensorReady(sensor="Birch"))
    )
    found = still_valid(ready, NOW_NS + round(age_h * HOUR_NS), ("Alder",))
    assert (found is not None) is valid
    if found is not None:
        assert [sensor.sensor for sensor in found.sensors] == ["Alder"]


# -- on the simulated bench ------------------------------------------------------------------------------------


def quayside_visit(
    specs: Sequence[SensorSpec], options: VisitOptions, *, riding: bool = False
) -> tuple[Ready, list[str]]:
    """A check of the Quayside bench; with `riding` somebody pedals meanwhile."""
    shown: list[str] = []

    async def prepare(instruction: str) -> None:
        shown.append(instruction)

    async def main() -> Ready:
        ride = ride_of(quayside_plan(), 1)
        clock = VirtualClock(asyncio.get_running_loop(), NOW_NS)
        here = quayside_bench()
        async with SimulatedRadio([SimulatedMeter(spec, ride, 1) for spec in specs], seed=1) as radio:
            if riding:
                radio.begin_ride()
            source = bluetooth_source(here, clock, radio.backend, seed=1)
            heard = await visit(here, source, replace(options, prepare=prepare))
            assert not radio.any_connected()
        return judge_ready(here, heard, {}, clock.utc_ns(), options.patience_s)

    return run_virtual(main()), shown


def by_name(ready: Ready) -> dict[str, SensorReady]:
    return {sensor.sensor: sensor for sensor in ready.sensors}


def test_every_sensor_of_the_bench_is_reached_and_identified() -> None:
    ready, _ = quayside_visit([ALDER, BIRCH, CEDAR, DOGWOOD], VisitOptions(15.0), riding=True)
    found = by_name(ready)
    assert (found["Alder"].identity["serial"], found["Alder"].identity["crank_length_mm"]) == ("0042", 172.5)
    assert found["Birch"].rate_hz == pytest.approx(4.0, abs=0.2)
    assert found["Cedar"].identity["firmware_revision"] == "5.02"
    assert found["Dogwood"].identity["battery_pct"] == 54
    assert found["Alder"].rssi_dbm is not None
    assert blocking(found["Elm"]) == ["never_reached"]
    assert blocking(found["Alder"]) == ["newly_mounted"]


@pytest.mark.parametrize(
    ("zero", "outcome", "ready"),
    [
        (ZeroBehaviour(raw=-12), "done", True),
        (ZeroBehaviour("fails"), "failed", False),
        (ZeroBehaviour("busy"), "busy", False),
        (ZeroBehaviour("silent"), "silent", False),
        (ZeroBehaviour("late"), "silent", False),
        (ZeroBehaviour("unsupported"), "unsupported", True),
    ],
    ids=lambda value: value.manner if isinstance(value, ZeroBehaviour) else "",
)
def test_zero_offsets_of_every_manner(zero: ZeroBehaviour, outcome: str, ready: bool) -> None:
    found, shown = quayside_visit([replace(BIRCH, zero=zero)], VisitOptions(10.0, zero=True))
    birch = by_name(found)["Birch"]
    assert birch.zero is not None
    assert (birch.zero.outcome, birch.ready) == (outcome, ready)
    assert [words.partition(":")[0] for words in shown] == ["Birch"]
    assert (len(found.zeros.get("birch-1", ())) == 1) is (outcome == "done")


def test_while_somebody_pedals_no_zero_offset_can_be_found() -> None:
    found, _ = quayside_visit([BIRCH], VisitOptions(10.0, zero=True), riding=True)
    assert blocking(by_name(found)["Birch"]) == ["zero_not_done"]


def test_a_radio_that_fails_is_said_in_one_sentence() -> None:
    async def fail(_sink: RecordSink) -> None:
        raise ConnectionError("the radio has gone")

    async def main() -> None:
        with pytest.raises(NoBluetooth, match="the radio has gone"):
            await visit(quayside_bench(), FakeSource([fail]), VisitOptions())

    run_virtual(main())


def test_a_check_asks_nobody_who_was_not_reached() -> None:
    found, shown = quayside_visit([], VisitOptions(5.0, zero=True))
    assert shown == []
    assert all(blocking(sensor) == ["never_reached"] for sensor in found.sensors)


def test_the_source_of_a_radio_can_be_asked_for_zero_offsets() -> None:
    """What `visit` and the ride control look for at run time."""
    assert issubclass(BluetoothSource, FindsZero)


# -- into the next recording -----------------------------------------------------------------------------------


def test_the_check_stands_in_the_recording_that_follows(tmp_path: Path) -> None:
    ready = judge_ready(quayside_bench(), {"Alder": Heard(WELL, -60, 4.0, zero_answer(-12))}, zeros(-11), NOW_NS, 30)

    async def main() -> Path | None:
        job = RecordJob(quayside_bench(), tmp_path, duration_s=2.0, needed_bytes=0, ready=ready)
        summary = await record(job, Surroundings(LoopClock(), SystemStorage(), FakeSource(), lambda words: None))
        return summary.recording

    path = run_virtual(main())
    assert path is not None
    recording = read_recording(path)
    rows = [row for row in recording.events if row.event == Event.READY]
    assert [row.sensor for row in rows] == ["Alder", "Birch", "Cedar", "Dogwood", "Elm"]
    assert all(row.host_ns == 0 for row in rows)
    alder, birch = rows[0].detail, rows[1].detail
    assert alder["zero"]["value"]["raw"] == -12
    assert alder["checked_utc_ns"] == NOW_NS
    assert birch["ready"] is False
    assert birch["words"].startswith("not ready: not reached")
    assert recording.metadata.sensors["Alder"]["serial"] == "0042"


def test_the_demo_is_checked_and_zeroed_before_it_is_ridden(demo_recording: Path) -> None:
    rows = {row.sensor: row.detail for row in read_recording(demo_recording).events if row.event == Event.READY}
    assert list(rows) == ["Alder", "Birch", "Cedar", "Dogwood", "Elm"]
    outcomes = {name: detail["zero"] and detail["zero"]["outcome"] for name, detail in rows.items()}
    assert outcomes == {"Alder": "done", "Birch": "done", "Cedar": "unsupported", "Dogwood": "done", "Elm": None}


def test_the_command_says_what_it_found_and_keeps_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a radio: the sentence and the exit status of bad use; nothing is kept."""
    path = tmp_path / "bench.toml"
    path.write_text('[bench]\nname = "x"\n')
    assert main(["ready", str(path)]) == 2
    assert "names no meter" in capsys.readouterr().err
    assert not ready_path(path).exists()


def test_printed_json_is_the_check_without_what_was_known_before() -> None:
    ready = judge_ready(quayside_bench(), {"Alder": Heard(WELL, -60, 4.0)}, zeros(-11), NOW_NS, 30)
    printed = json.loads(json.dumps(ready.as_dict()))
    assert printed["ready"] is False
    assert "zeros" not in printed
    assert printed["sensors"][0]["identity"]["serial"] == "0042"
    assert {sensor["ready"] for sensor in printed["sensors"]} == {False}
