"""Rows 25 to 27: the Bluetooth service, its adapter or its bus go. Real time, the real library, a fake service."""

from __future__ import annotations

import asyncio
import signal
import time
from pathlib import Path

import pytest

from analysis.rows import Event
from recorder.bluetooth_service_watch import ANSWERS_AGAIN, GONE, HUNG, NO_ADAPTER, NO_BUS, OFF
from tests.bluez_bench import FAKE, ListSink, fake_bluez, needs_fake_bluez, recording, ride, sensor, target, until
from tests.faults.conftest import Tell
from tests.faults.radio_bench import sentences

pytestmark = needs_fake_bluez

NAMES = ("Alder", "Birch", "Cedar", "Dogwood")
TARGETS = [target(name, number + 1) for number, name in enumerate(NAMES)]
SENSORS = "".join(sensor(name, number + 1).replace("8.0", "4.0") for number, name in enumerate(NAMES))
UNPLUGGING = (str(Path(__file__).with_name("unplugging_bluez.py")), str(FAKE))
HOW = {GONE: "the service crashes, gone", OFF: "the adapter is off", NO_ADAPTER: "the adapter is pulled out"}


def told_after_s(sink: ListSink, since_ns: int, words: str) -> float:
    return (next(h for h in sink.of(Event.BLUETOOTH_SERVICE) if h.detail["words"] == words).clock_ns - since_ns) / 1e9


@pytest.mark.parametrize(
    ("row", "fault", "words"),
    [
        # The first two, with the same limits, are in tests/test_bluetooth_source_on_bluez.py for every day.
        pytest.param(25, 'kind = "restart"\ngraceful = false', GONE, marks=pytest.mark.slow),
        pytest.param(26, 'kind = "power_off"', OFF, marks=pytest.mark.slow),
        (26, 'kind = "unplug"', NO_ADAPTER),
    ],
)
async def test_what_goes_is_told_within_two_seconds_and_all_are_back_within_fifteen(
    tmp_path: Path, tell: Tell, row: int, fault: str, words: str
) -> None:
    scenario = ride(adapter=f"[[adapter.fault]]\n{fault}\nat = 1.0\ns = 2.0") + SENSORS
    async with fake_bluez(tmp_path, scenario, UNPLUGGING) as fake:
        async with recording(TARGETS) as (source, sink):
            await until(lambda: all(sink.of(Event.LINK_LOST, name) for name in NAMES))
            await until(lambda: source.live() == set(NAMES), 20)
            await asyncio.sleep(0.5)
        await fake.stop()
        result = await fake.compare(sink)
        happened = [r for r in fake.truth() if r["kind"] in ("bluetoothd", "adapter_power")]
    went_ns, came_ns = (r["t_ns"] for r in happened)
    told_s = told_after_s(sink, went_ns, words)
    lost_s = [(sink.of(Event.LINK_LOST, name)[0].clock_ns - went_ns) / 1e9 for name in NAMES]
    back_s = [
        (next(r.clock_ns for r in sink.rows if r.sensor == name and r.clock_ns > came_ns) - came_ns) / 1e9
        for name in NAMES
    ]
    assert 0 <= told_s < 2
    assert all(0 <= s < 2 for s in lost_s)
    assert all(s < 15 for s in back_s)
    assert [(result[f"{n}/2a63"]["lost"], result[f"{n}/2a63"]["extra"]) for n in NAMES] == [(0, 0)] * 4
    assert words in sentences(sink)
    assert "Bluetooth is back" in sentences(sink)
    measured = f"told after {told_s:.2f} s, all back {max(back_s):.1f} s after; 0 lost while up"
    tell(row, f"{HOW[words]} for 2 s", words, measured)


async def test_a_service_that_hangs_is_told_and_a_short_hang_costs_no_row(tmp_path: Path, tell: Tell) -> None:
    async with fake_bluez(tmp_path, ride("launch") + SENSORS) as fake:
        async with recording(TARGETS) as (source, sink):
            await until(lambda: source.live() == set(NAMES))
            hung_ns = time.monotonic_ns()
            fake.process.send_signal(signal.SIGSTOP)
            try:
                await until(lambda: all(sink.of(Event.SILENT, name) for name in NAMES))
                silent_s = max((sink.of(Event.SILENT, name)[0].clock_ns - hung_ns) / 1e9 for name in NAMES)
            finally:
                fake.process.send_signal(signal.SIGCONT)
            woke_ns = time.monotonic_ns()
            await until(lambda: all(any(r.sensor == n and r.clock_ns > woke_ns for r in sink.rows) for n in NAMES))
            await until(lambda: len(sink.of(Event.BLUETOOTH_SERVICE)) == 2)
            assert source.live() == set(NAMES)
        await fake.stop()
        result = await fake.compare(sink)
    hung_s = told_after_s(sink, hung_ns, HUNG)
    assert hung_s < 3.0
    assert silent_s < 4.5
    assert sink.of(Event.LINK_LOST) == []
    assert [(result[f"{n}/2a63"]["lost"], result[f"{n}/2a63"]["extra"]) for n in NAMES] == [(0, 0)] * 4
    assert [h.detail["words"] for h in sink.of(Event.BLUETOOTH_SERVICE)] == [HUNG, ANSWERS_AGAIN]
    assert any("linked, but silent for 3" in line for line in sentences(sink))
    measured = f"told after {hung_s:.2f} s, silence after {silent_s:.2f} s; 0 lost"
    tell(25, "SIGSTOP of the service, 3 s", HUNG, measured)


@pytest.mark.slow
async def test_a_long_hang_costs_links_and_all_are_back_in_fifteen_seconds(tmp_path: Path, tell: Tell) -> None:
    async with fake_bluez(tmp_path, ride("launch") + SENSORS) as fake:
        async with recording(TARGETS) as (source, sink):
            await until(lambda: source.live() == set(NAMES))
            hung_ns = time.monotonic_ns()
            fake.process.send_signal(signal.SIGSTOP)
            try:
                await until(lambda: all(sink.of(Event.LINK_LOST, name) for name in NAMES), 20)
                await asyncio.sleep(3)
            finally:
                fake.process.send_signal(signal.SIGCONT)
            woke_ns = time.monotonic_ns()
            await until(lambda: source.live() == set(NAMES), 30)
        await fake.stop()
        assert {r["copies"] for r in fake.truth("notify")} == {1}
    lost_s = max((sink.of(Event.LINK_LOST, name)[0].clock_ns - hung_ns) / 1e9 for name in NAMES)
    back_s = max((sink.of(Event.LINK_FOUND, name)[-1].clock_ns - woke_ns) / 1e9 for name in NAMES)
    assert 9 < lost_s < 12
    assert back_s < 15
    assert any("no data for 10 s" in line for line in sentences(sink))
    measured = f"links given up after {lost_s:.1f} s, all back {back_s:.1f} s after"
    tell(25, "SIGSTOP of the service until 3 s later", HUNG, measured)


async def test_the_bus_dies_and_is_told_within_two_seconds(tmp_path: Path, tell: Tell) -> None:
    async with fake_bluez(tmp_path, ride("launch") + SENSORS) as fake, recording(TARGETS) as (source, sink):
        await until(lambda: source.live() == set(NAMES))
        killed_ns = time.monotonic_ns()
        fake.kill_bus()
        await until(lambda: all(sink.of(Event.LINK_LOST, name) for name in NAMES))
        await until(lambda: sink.of(Event.BLUETOOTH_SERVICE))
    told_s = told_after_s(sink, killed_ns, NO_BUS)
    assert told_s < 2
    assert NO_BUS in sentences(sink)
    tell(27, "SIGKILL of the message bus", NO_BUS, f"told after {told_s:.2f} s")
