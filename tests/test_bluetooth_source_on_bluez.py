"""The Bluetooth source against a fake Bluetooth service with the real library in between; real time, short rides."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.rows import Event
from recorder.bluetooth_source import BluetoothSource, SensorTarget, Timings
from recorder.errors import NoBluetooth
from tests.bluez_bench import (
    BUS,
    ListSink,
    MonotonicClock,
    fake_bluez,
    needs_fake_bluez,
    recording,
    ride,
    sensor,
    target,
    until,
)

pytestmark = needs_fake_bluez

HASTY = Timings(connect_s=1.0, backoff_s=(0.2, 0.4, 0.8), silent_s=1.0, renew_s=2.0, pause_s=1.0, zero_offset_s=1.0)


def measurements(sink: ListSink, name: str) -> int:
    return sum(r.sensor == name and r.characteristic == "2a63" and r.row_kind == "notification" for r in sink.rows)


async def all_live(source: BluetoothSource, *names: str, seconds: float = 15.0) -> None:
    await until(lambda: source.live() >= set(names), seconds)


def assert_exactly_once(result: dict[str, dict[str, int]], *keys: str) -> None:
    for key in keys:
        assert result[key]["sent"] > 0, key
        assert (result[key]["lost"], result[key]["extra"], result[key]["lost_malformed"]) == (0, 0, 0), (
            key,
            result[key],
        )


async def test_a_steady_ride_is_recorded_as_it_was_sent_and_every_sensor_is_identified(tmp_path: Path) -> None:
    scenario = (
        ride(adapter='connect_while_scanning = "InProgress"\nstop_discovery_inprogress = 1')
        + sensor(
            "Alder", 1, 'left_pct = 51\nbattery_pct = 81\nmodel = "A\\u0007-1"', '"1818", "1816", "180A", "180F"'
        )
        + sensor(
            "Birch",
            2,
            "late_name = true\nsensor_location = 15\ncrank_length_mm = 170\n"
            '[[sensor.fault]]\nkind = "battery"\nat = 1.0\npct = 42',
        )
        + sensor("Cedar", 3, 'missing = ["2a25"]\n[[sensor.fault]]\nkind = "malformed"\nat = 0.8\nvariant = "empty"')
    )
    targets = [target("Alder", 1, expected_serial="9999"), target("Birch", 2), target("Cedar", 3)]
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording(targets) as (source, sink):
            await source.check()
            await all_live(source, "Alder", "Birch", "Cedar")
            await until(lambda: len(sink.identities) == 3 and measurements(sink, "Cedar") > 24)
            await until(lambda: any(r.characteristic == "2a19" and r.row_kind == "notification" for r in sink.rows))
        await fake.stop()
        assert_exactly_once(
            await fake.compare(sink), "Alder/2a63", "Alder/2a5b", "Birch/2a63", "Birch/2a66", "Cedar/2a63"
        )
        assert {r["copies"] for r in fake.truth("notify")} == {1}
        assert {r["how"] for r in fake.truth("subscribe")} == {"StartNotify"}
        assert not any(r["scanning"] for r in fake.truth("connect_call"))
        assert fake.truth("summary")[0]["still_connected"] == []
    assert any(r.payload == b"" for r in sink.rows)
    # Reading the battery before subscribing to it: the read value comes as no notification.
    assert {r.payload for r in sink.rows if r.characteristic == "2a19" and r.row_kind == "notification"} == {b"\x2a"}
    birch = sink.identities["Birch"]
    assert (birch.serial, birch.battery_pct, birch.location, birch.crank_length_mm) == ("0002", 90, "spider", 170.0)
    assert sink.identities["Alder"].model == "A\ufffd-1"
    assert sink.identities["Cedar"].serial is None
    assert "9999" in sink.of(Event.NOTE, "Alder")[0].detail["text"]
    assert [r.payload for r in sink.rows if r.row_kind == "write"] == [b"\x05"] * 3
    # No measurement waits for the identity, and no row of a link precedes the event that announces it.
    for name in ("Alder", "Birch", "Cedar"):
        first = next(r for r in sink.rows if r.sensor == name)
        assert first.clock_ns > sink.of(Event.LINK_FOUND, name)[0].clock_ns


async def test_a_sensor_that_drops_out_comes_back_with_each_notification_exactly_once(tmp_path: Path) -> None:
    faults = "".join(
        f'[[sensor.fault]]\nkind = "dropout"\nat = {at}\ns = 0.6\nsupervision_s = 0.3\n' for at in (0.5, 2.0, 3.5)
    )
    scenario = ride() + sensor("Alder", 1, faults) + sensor("Birch", 2)
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording([target("Alder", 1), target("Birch", 2)]) as (_, sink):
            await until(lambda: len(sink.of(Event.LINK_FOUND, "Alder")) == 4, 25)
            before = measurements(sink, "Alder")
            await until(lambda: measurements(sink, "Alder") > before + 8)
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Alder/2a63", "Birch/2a63")
        assert {r["copies"] for r in fake.truth("notify")} == {1}
        assert fake.truth("summary")[0]["peak_dbus_clients"] <= 5
        down = [r["t_ns"] for r in fake.truth("disconnected") if r["sensor"] == "Alder"]
    for fell_ns, told in zip(down[:3], sink.of(Event.LINK_LOST, "Alder"), strict=True):
        assert 0 <= told.clock_ns - fell_ns < 1e9
    assert sink.of(Event.LINK_LOST, "Birch") == []


async def test_duplicates_are_dropped_and_written_down_and_a_burst_is_flagged(tmp_path: Path) -> None:
    faults = (
        '[[sensor.fault]]\nkind = "duplicate"\nat = 0.3\ns = 1.0\ncopies = 3\n'
        '[[sensor.fault]]\nkind = "burst"\nat = 2.0\ns = 1.2\n'
    )
    async with fake_bluez(tmp_path, ride() + sensor("Alder", 1, faults)) as fake:
        async with recording([target("Alder", 1)]) as (_, sink):
            await until(lambda: sink.of(Event.BURST))
        await fake.stop()
        result = (await fake.compare(sink))["Alder/2a63"]
        copies = sum(r.get("fault") == "duplicate" for r in fake.truth("notify"))
    assert (result["lost"], result["extra"]) == (0, 0)
    assert len(sink.of(Event.DUPLICATE_DROPPED)) == copies == result["lost_duplicates"] > 8
    (burst,) = sink.of(Event.BURST)
    assert burst.detail["count"] >= 8
    assert 1.0 < burst.detail["span_s"] < 1.7


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        pytest.param('kind = "restart"\ngraceful = true', "gone", marks=pytest.mark.slow),
        ('kind = "restart"\ngraceful = false', "gone"),
        ('kind = "power_off"', "switched off"),
    ],
)
async def test_the_service_or_the_adapter_goes_and_comes_back(tmp_path: Path, fault: str, words: str) -> None:
    scenario = (
        ride(adapter=f"[[adapter.fault]]\n{fault}\nat = 1.0\ns = 1.5") + sensor("Alder", 1) + sensor("Birch", 2)
    )
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording([target("Alder", 1), target("Birch", 2)]) as (source, sink):
            await until(lambda: sink.of(Event.LINK_LOST, "Alder") and sink.of(Event.LINK_LOST, "Birch"))
            assert source.live() == frozenset()
            await all_live(source, "Alder", "Birch")
            await asyncio.sleep(0.5)
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Alder/2a63", "Birch/2a63")
        assert {r["copies"] for r in fake.truth("notify")} == {1}
        went_ns = next(r["t_ns"] for r in fake.truth() if (r["kind"], r.get("up"), r.get("on")) in GONE)
        came_ns = next(r["t_ns"] for r in fake.truth() if (r["kind"], r.get("up"), r.get("on")) in BACK)
    told = sink.of(Event.BLUETOOTH_SERVICE)
    assert words in told[0].detail["words"] or "adapter is gone" in told[0].detail["words"]
    assert told[-1].detail["words"] == "Bluetooth is back"
    for name in ("Alder", "Birch"):
        (lost,) = sink.of(Event.LINK_LOST, name)
        assert lost.clock_ns - went_ns < 2e9
        assert sink.of(Event.LINK_FOUND, name)[1].clock_ns - came_ns < 15e9


GONE = {("bluetoothd", False, None), ("adapter_power", None, False)}
BACK = {("bluetoothd", True, None), ("adapter_power", None, True)}


async def test_refused_aborted_and_hanging_connections_are_told_and_tried_again_while_others_ride(
    tmp_path: Path,
) -> None:
    scenario = (
        ride("first_subscribe")
        + sensor("Alder", 1, 'connect_script = ["InProgress", "InProgress", "InProgress"]')
        + sensor("Birch", 2, 'connect_script = ["abort-local", "drop-before-services"]')
        + sensor("Cedar", 3, 'connect_script = ["hang"]')
        + sensor("Dogwood", 4)
        + sensor("Elm", 5, 'connect_script = ["fail"]')
    )
    names = ("Alder", "Birch", "Cedar", "Dogwood", "Elm")
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording([target(n, i + 1) for i, n in enumerate(names)], HASTY) as (source, sink):
            await all_live(source, *names, seconds=30)
        await fake.stop()
        result = await fake.compare(sink)
        assert_exactly_once(result, *(f"{n}/2a63" for n in names))
        assert {r["copies"] for r in fake.truth("notify")} == {1}
        assert any(r["sensor"] == "Alder" for r in fake.truth("device_removed")), "stuck InProgress: forgotten"
    reasons = {n: [h.detail["reason"] for h in sink.of(Event.LINK_WAITING, n)] for n in names}
    assert len(reasons["Alder"]) == 3
    assert all("busy" in r for r in reasons["Alder"])
    assert any("fell before any data" in r for r in reasons["Birch"])
    assert any("answered no connection" in r for r in reasons["Cedar"])
    assert reasons["Dogwood"] == []
    assert any(r for r in reasons["Elm"])


async def test_silence_is_told_and_a_dead_subscription_is_renewed(tmp_path: Path) -> None:
    stall = '[[sensor.fault]]\nkind = "stall"\nat = 1.0\ns = 2.6'
    async with fake_bluez(tmp_path, ride() + sensor("Alder", 1, stall) + sensor("Birch", 2)) as fake:
        async with recording([target("Alder", 1), target("Birch", 2)], HASTY) as (source, sink):
            await until(lambda: len(sink.of(Event.LINK_FOUND, "Alder")) == 2)
            await all_live(source, "Alder", "Birch")
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Alder/2a63", "Birch/2a63")
        assert {r["copies"] for r in fake.truth("notify")} == {1}
    assert 1.0 < sink.of(Event.SILENT, "Alder")[0].detail["silent_s"] < 1.6
    assert "no data" in sink.of(Event.LINK_LOST, "Alder")[0].detail["reason"]
    assert sink.of(Event.SILENT, "Birch") == []


@pytest.mark.slow
async def test_a_sensor_at_rest_is_asked_and_kept(tmp_path: Path) -> None:
    resting = 'power = [{shape = "constant", watts = 0, s = 60, rpm = 0}]\n'
    stall = '[[sensor.fault]]\nkind = "stall"\nat = 2.5\ns = 4.0'
    async with fake_bluez(tmp_path, ride() + sensor("Alder", 1, resting + stall)) as fake:
        async with recording([target("Alder", 1)], HASTY) as (source, sink):
            await until(lambda: sink.of(Event.SILENT))
            reads = sum(r.row_kind == "read" and r.characteristic == "2a65" for r in sink.rows)
            await until(lambda: sum(r.row_kind == "read" and r.characteristic == "2a65" for r in sink.rows) > reads)
            quiet = measurements(sink, "Alder")
            await until(lambda: measurements(sink, "Alder") > quiet)
            assert source.live() == {"Alder"}
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Alder/2a63")
    assert sink.of(Event.LINK_LOST) == []


async def test_zero_offsets_are_asked_for_and_every_kind_of_answer_has_its_words(tmp_path: Path) -> None:
    answers = {"Alder": "-12", "Birch": '"fail"', "Cedar": '"silent"', "Dogwood": '"reject"', "Elm": '"late:1.8"'}
    scenario = ride("launch") + "".join(
        sensor(name, i + 1, f"zero_offset = [{answer}]\nzero_offset_delay_s = 0.2")
        for i, (name, answer) in enumerate(answers.items())
    )
    scenario += sensor("Fir", 6, 'zero_offset = ["unsupported"]\nzero_offset_delay_s = 0.2') + sensor(
        "Gorse", 7, 'missing = ["2a66"]'
    )
    names = (*answers, "Fir", "Gorse")
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording([target(n, i + 1) for i, n in enumerate(names)], HASTY) as (source, sink):
            assert (await source.zero_offset("Alder")).outcome == "unreachable"
            # Asked as soon as there is a link, so that the crank length may be asked for at the same time.
            await until(lambda: source.live() == set(names))
            got = dict(zip(names, await asyncio.gather(*map(source.zero_offset, names)), strict=True))
            busy = await source.zero_offset("Elm")
            await until(lambda: len(sink.of(Event.ZERO_ANSWERED, "Elm")) == 3)
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Alder/2a66", "Elm/2a66")
    alder = got["Alder"]
    assert (alder.outcome, alder.raw, alder.unit, alder.offset_nm) == ("done", -12, "1/32 N·m", -0.375)
    outcomes = {name: answer.outcome for name, answer in got.items()}
    assert outcomes == {
        "Alder": "done", "Birch": "failed", "Cedar": "silent", "Dogwood": "refused", "Elm": "silent",
        "Fir": "unsupported", "Gorse": "unsupported",
    }  # fmt: skip
    assert busy.outcome == "busy"
    assert [h.detail["result"] for h in sink.of(Event.ZERO_ANSWERED, "Elm")] == ["silent", "busy", "done"]
    assert sink.of(Event.ZERO_ANSWERED, "Elm")[2].detail["words"].startswith("late answer: done")
    assert [h.detail for h in sink.of(Event.ZERO_ASKED, "Alder")] == [{"request": "0c"}]
    assert b"\x0c" in [r.payload for r in sink.rows if r.sensor == "Alder" and r.row_kind == "write"]


async def test_the_same_name_twice_is_never_taken_silently_and_a_serial_settles_it(tmp_path: Path) -> None:
    twins = sensor("Alder", 1) + sensor("Birch", 2).replace("BIRCH 0002", "ALDER 0001") + sensor("Cedar", 3)
    targets = [
        SensorTarget("Birch", match_name="ALDER 0001", match_serial="0002"),
        SensorTarget("unclear", match_name="ALDER 0001"),
        SensorTarget("Cedar", match_name="CEDAR 0003"),
        target("wrong", 1, match_serial="0007"),
    ]
    timings = Timings(name_settle_s=0.6, pause_s=1.0, backoff_s=(0.3, 1.0))
    async with fake_bluez(tmp_path, ride("first_subscribe") + twins) as fake:
        async with recording(targets, timings) as (source, sink):
            await all_live(source, "Birch", "Cedar")
            await until(lambda: sink.of(Event.LINK_WAITING, "wrong"))
            await asyncio.sleep(1.0)
            assert source.live() == {"Birch", "Cedar"}
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Birch/2a63", "Cedar/2a63")
    assert sink.identities["Birch"].serial == "0002"
    assert not [r for r in sink.rows if r.sensor in ("wrong", "unclear")], "nothing under a name that may be wrong"
    assert "serial is 0001, wanted is 0007" in sink.of(Event.LINK_WAITING, "wrong")[0].detail["reason"]


async def test_two_bearers_of_one_name_are_explained_and_none_is_connected(tmp_path: Path) -> None:
    twins = sensor("Alder", 1) + sensor("Birch", 2).replace("BIRCH 0002", "ALDER 0001")
    async with fake_bluez(tmp_path, ride("launch") + twins) as fake:
        async with recording([SensorTarget("Alder", match_name="ALDER 0001")]) as (_, sink):
            await until(lambda: sink.of(Event.LINK_WAITING, "Alder"))
        await fake.stop()
        assert fake.truth("connect_call") == []
    reason = sink.of(Event.LINK_WAITING, "Alder")[0].detail["reason"]
    assert "C0:5A:00:00:00:01, C0:5A:00:00:00:02" in reason


@pytest.mark.slow
async def test_unreadable_services_and_late_joiners_do_not_stop_the_others(tmp_path: Path) -> None:
    asleep = '[[sensor.fault]]\nkind = "dropout"\nat = 0.0\ns = 3.0'
    scenario = (
        ride("launch") + sensor("Alder", 1, 'missing = ["2a63"]') + sensor("Birch", 2) + sensor("Cedar", 3, asleep)
    )
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording([target("Alder", 1), target("Birch", 2), target("Cedar", 3)], HASTY) as (source, sink):
            await all_live(source, "Birch", "Cedar")
            await until(lambda: len(sink.of(Event.LINK_WAITING, "Alder")) > 1)
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Birch/2a63", "Cedar/2a63")
        assert any(r["sensor"] == "Alder" for r in fake.truth("device_removed"))
    assert "services are not readable" in sink.of(Event.LINK_WAITING, "Alder")[0].detail["reason"]


@pytest.mark.slow
async def test_a_full_adapter_is_named_as_the_probable_cause(tmp_path: Path) -> None:
    names = ("Alder", "Birch", "Cedar", "Dogwood")
    scenario = ride("launch", "max_connections = 3") + "".join(sensor(n, i + 1) for i, n in enumerate(names))
    targets = [target(n, i + 1) for i, n in enumerate(names)]
    async with fake_bluez(tmp_path, scenario), recording(targets, HASTY) as (source, sink):
        full = "probably full with 3 links"
        await until(lambda: any(full in h.detail["reason"] for h in sink.of(Event.LINK_WAITING)), 20)
        assert len(source.live()) == 3


async def test_links_left_by_a_recorder_that_was_killed_are_taken_over(tmp_path: Path) -> None:
    code = (
        "import asyncio, sys\n"
        "from tests.bluez_bench import recording, target\n"
        "async def main():\n"
        "    async with recording([target('Alder', 1)]) as (source, sink):\n"
        "        while not source.live(): await asyncio.sleep(0.02)\n"
        "        print('live', flush=True)\n"
        "        await asyncio.sleep(60)\n"
        "asyncio.run(main())\n"
    )
    async with fake_bluez(tmp_path, ride("launch") + sensor("Alder", 1)) as fake:
        first = await asyncio.create_subprocess_exec(
            sys.executable, "-c", code, stdout=asyncio.subprocess.PIPE, cwd=Path(__file__).resolve().parents[1]
        )
        assert first.stdout is not None
        assert await first.stdout.readline() == b"live\n"
        first.kill()
        await first.wait()
        async with recording([target("Alder", 1)]) as (source, sink):
            await all_live(source, "Alder")
            assert sink.of(Event.LINK_FOUND)[0].detail["rssi_dbm"] is None
        await fake.stop()
        assert len(fake.truth("connect_call")) == 1


@pytest.mark.slow
async def test_a_link_that_the_system_restores_by_itself_is_taken_over(tmp_path: Path) -> None:
    faults = "".join(f'[[sensor.fault]]\nkind = "dropout"\nat = {at}\ns = 0.4\n' for at in (0.5, 2.5))
    async with fake_bluez(tmp_path, ride() + sensor("Alder", 1, "auto_reconnect = true\n" + faults)) as fake:
        async with recording([target("Alder", 1)], HASTY) as (source, sink):
            await until(lambda: len(sink.of(Event.LINK_LOST)) == 2)
            await all_live(source, "Alder")
        await fake.stop()
        assert_exactly_once(await fake.compare(sink), "Alder/2a63")
        assert {r["copies"] for r in fake.truth("notify")} == {1}


async def test_closing_is_bounded_even_when_the_service_hangs(tmp_path: Path) -> None:
    scenario, targets = (
        ride("launch") + sensor("Alder", 1) + sensor("Birch", 2),
        [target("Alder", 1), target("Birch", 2)],
    )
    async with fake_bluez(tmp_path, scenario) as fake, recording(targets) as (source, _):
        await all_live(source, "Alder", "Birch")
        fake.process.send_signal(signal.SIGSTOP)
        try:
            started_s = asyncio.get_running_loop().time()
            await source.close()
            assert asyncio.get_running_loop().time() - started_s < 3.0
        finally:
            fake.process.send_signal(signal.SIGCONT)


@pytest.mark.slow
async def test_a_service_that_hangs_for_a_while_costs_links_and_gives_them_back(tmp_path: Path) -> None:
    scenario, targets = (
        ride("launch") + sensor("Alder", 1) + sensor("Birch", 2),
        [target("Alder", 1), target("Birch", 2)],
    )
    timings = replace(HASTY, release_s=1.0)
    async with fake_bluez(tmp_path, scenario) as fake, recording(targets, timings) as (source, sink):
        await all_live(source, "Alder", "Birch")
        fake.process.send_signal(signal.SIGSTOP)
        try:
            await until(lambda: sink.of(Event.LINK_LOST, "Alder") and sink.of(Event.LINK_LOST, "Birch"))
            await asyncio.sleep(2.0)
        finally:
            fake.process.send_signal(signal.SIGCONT)
        await all_live(source, "Alder", "Birch")
    assert sink.of(Event.SILENT, "Alder")


async def test_the_message_bus_dies(tmp_path: Path) -> None:
    targets = [target("Alder", 1), target("Birch", 2)]
    scenario = ride("launch") + sensor("Alder", 1) + sensor("Birch", 2)
    async with fake_bluez(tmp_path, scenario) as fake, recording(targets, HASTY) as (source, sink):
        await all_live(source, "Alder", "Birch")
        fake.kill_bus()
        await until(lambda: sink.of(Event.LINK_LOST, "Alder") and sink.of(Event.LINK_LOST, "Birch"), 2.0)
        await until(lambda: sink.of(Event.BLUETOOTH_SERVICE), 2.0)
        assert source.live() == frozenset()
    assert "message bus" in sink.of(Event.BLUETOOTH_SERVICE)[0].detail["words"]


@pytest.mark.slow
async def test_whatever_happens_to_eight_sensors_every_notification_is_recorded_or_written_down(
    tmp_path: Path,
) -> None:
    scenario = (Path(__file__).parent / "bluez_scenarios" / "everything.toml").read_text()
    names = ("Alder", "Birch", "Cedar", "Dogwood", "Elm", "Fir", "Gorse", "Hazel")
    async with fake_bluez(tmp_path, scenario) as fake:
        async with recording([target(n, i + 1) for i, n in enumerate(names)]) as (source, sink):
            await until(lambda: '"ride_end"' in fake.truth_path.read_text(), 90)
            await all_live(source, *names)
        await fake.stop()
        sent = Counter((r["sensor"], r["uuid"], r["hex"]) for r in fake.truth("notify"))
        assert {r["copies"] for r in fake.truth("notify")} == {1}
    got = Counter((r.sensor, r.characteristic, r.payload.hex()) for r in sink.rows if r.row_kind == "notification")
    dropped = Counter(
        (h.sensor, h.detail["characteristic"], h.detail["payload"]) for h in sink.of(Event.DUPLICATE_DROPPED)
    )
    assert got + dropped == sent
    # Dogwood sends 4 s of everything twice; beyond that, next to nothing may have been taken for a copy.
    assert sum(n for (name, *_), n in dropped.items() if name == "Dogwood") >= 28
    assert sum(n for (name, *_), n in dropped.items() if name != "Dogwood") < 0.005 * sent.total()


async def check_sentence() -> str:
    with pytest.raises(NoBluetooth) as caught:
        await BluetoothSource([target("Alder", 1)], MonotonicClock()).check()
    sentence = str(caught.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    return sentence


async def test_without_a_bus_a_service_or_power_the_check_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(BUS, f"unix:path={tmp_path}/no-bus")
    assert "no Bluetooth service" in await check_sentence()
    off = ride("launch", '[[adapter.fault]]\nkind = "power_off"\nat = 0.0\ns = 60') + sensor("Alder", 1)
    async with fake_bluez(tmp_path, off) as fake:
        await until(lambda: "adapter_power" in fake.truth_path.read_text())
        assert "switched off" in await check_sentence()
    assert os.environ[BUS].endswith("no-bus")


async def test_a_bus_without_the_service_is_told_from_no_bus(tmp_path: Path) -> None:
    gone = ride("launch", '[[adapter.fault]]\nkind = "restart"\nat = 0.0\ns = 60') + sensor("Alder", 1)
    async with fake_bluez(tmp_path, gone) as fake:
        await until(lambda: '"bluetoothd"' in fake.truth_path.read_text())
        assert "no Bluetooth service" in await check_sentence()
