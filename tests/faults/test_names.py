"""Rows 19 and 35: what devices call themselves harms nobody, and decides nothing where two may be meant.

That hostile texts never reach a terminal as codes, and that a screen that fails or is killed costs no row, is tried
in tests/test_screen_in_terminal.py, tests/test_screen.py and tests/test_two_processes.py.
"""

from __future__ import annotations

import asyncio
import unicodedata
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace

import pytest

from analysis.bench_file import parse_bench
from analysis.rows import Event
from recorder.bluetooth_source import SensorTarget
from recorder.scan import Seen, scan, starter_bench
from recorder.scan_words import in_words
from simulated_sensors.sensor import Packet
from tests.bluez_bench import ListSink
from tests.fake_sensors import FakeSensor
from tests.faults.conftest import Tell
from tests.faults.radio_bench import RATE_HZ, Air, on_air, sentences, steady, waiting_reasons
from tests.riding import number_in
from tests.screens import HOSTILE

TWINS = "Pedals of our workshop, twins"  # as long as an advertisement has room for: what follows is cut off
ONE, TWO, THREE = (f"F0:00:00:00:00:0{n}" for n in (1, 2, 3))


def is_harmless(text: str) -> bool:
    return not any(unicodedata.category(c).startswith("C") or c in "\u2028\u2029" for c in text.replace("\n", ""))


def test_hostile_names_are_made_harmless_wherever_they_are_shown_and_cost_no_row(tell: Tell) -> None:
    names = [*HOSTILE, "Bj\udcff", "'; drop", "=cmd|' /C'!A0", "../../evil", ""]
    sensors = [replace(steady("", n), name=name) for n, name in enumerate(names, 1)]
    targets = [SensorTarget(f"bay {n}", address=s.address) for n, s in enumerate(sensors, 1)]
    found: list[Seen] = []

    async def experiment(air: Air) -> None:
        found.extend(await scan(3.0, air.troubled.radio.backend))
        await air.until_live(*(t.sensor for t in targets))
        await asyncio.sleep(30)

    sink = on_air(sensors, experiment, targets)
    for t in targets:
        numbers = [number_in(r.payload) for r in sink.rows if r.sensor == t.sensor and r.characteristic == "2a63"]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
        assert len(numbers) >= 29 * RATE_HZ
    told = [str(sink.identities[t.sensor].name) for t in targets]
    shown = [*told, *sentences(sink), *in_words(found).split("\n"), *starter_bench(found).split("\n")]
    assert all(map(is_harmless, shown))
    assert any("\ufffd[2J" in name for name in told), "shown as text"
    bench = parse_bench(starter_bench(found).encode())
    assert {m.address for m in bench.meter} >= {s.address for s in found if s.kind == "meter"}
    tell(19, f"{len(names)} sensors with hostile names", "names with U+FFFD", "0 rows lost")


class Unit(FakeSensor):
    """A unit behind an address; `units` tells which one is there at the moment, by its serial.

    What it sends tells the unit as well: 100 W from 0001, 200 W from 0002.
    """

    def __init__(self, name: str, address: str, units: dict[str, str]) -> None:
        super().__init__(name, address, services={"1818": ("2a63",), "180a": ("2a25",)}, steps=self._packets)
        self._units = units

    def read(self, characteristic: str) -> bytes:
        return self._units[self.address].encode()

    def _packets(self) -> Iterator[Packet]:
        number = 0
        while True:
            number += 1
            power_w = {"0001": 100, "0002": 200}.get(self._units[self.address], 300)
            data = b"\x10\x00" + power_w.to_bytes(2, "little") + number.to_bytes(6, "little")
            yield Packet(number / RATE_HZ, "2a63", data)


def watts(sink: ListSink, sensor: str) -> set[int]:
    return {
        int.from_bytes(r.payload[2:4], "little")
        for r in sink.rows
        if r.sensor == sensor and r.characteristic == "2a63"
    }


def test_two_that_bear_each_others_address_are_asked_about_and_recorded_under_neither_name(tell: Tell) -> None:
    units = {ONE: "0002", TWO: "0001", THREE: "0003"}
    sensors = [Unit("Alder", ONE, units), Unit("Birch", TWO, units), Unit("Cedar", THREE, units)]
    targets = [
        SensorTarget("Alder", address=ONE, expected_serial="0001"),
        SensorTarget("Birch", address=TWO, expected_serial="0002"),
        SensorTarget("Cedar", address=THREE),
    ]

    async def experiment(air: Air) -> None:
        await air.until_live("Cedar")
        await asyncio.sleep(120)
        assert air.source.live() == {"Cedar"}

    sink = on_air(sensors, experiment, targets)
    assert watts(sink, "Alder") == watts(sink, "Birch") == set()
    assert watts(sink, "Cedar") == {300}
    assert not [r for r in sink.rows if r.sensor != "Cedar"]
    (reason,) = set(waiting_reasons(sink, "Alder"))
    assert "says that its serial is 0002, which the bench file gives to Birch" in reason
    assert "have the two been exchanged? check the bench file" in reason
    tell(35, "two sensors at each other's address", f"waiting: {reason}", "0 rows under a wrong name")


def exchanging(units: dict[str, str], seconds: float = 3.0) -> Callable[[Air], Awaitable[None]]:
    async def experiment(air: Air) -> None:
        await air.until_live("Alder", "Birch")
        await asyncio.sleep(20)
        for address in (ONE, TWO):
            air.troubled.radio.link.set_in_range(address, False)
        await asyncio.sleep(seconds)
        units[ONE], units[TWO] = units[TWO], units[ONE]
        for address in (ONE, TWO):
            air.troubled.radio.link.set_in_range(address, True)
        await asyncio.sleep(120)

    return experiment


def test_addresses_exchanged_in_the_middle_of_a_ride_are_asked_about(tell: Tell) -> None:
    units = {ONE: "0001", TWO: "0002"}
    sensors = [Unit("Alder", ONE, units), Unit("Birch", TWO, units)]
    sink = on_air(sensors, exchanging(units))
    assert watts(sink, "Alder") == {100}
    assert watts(sink, "Birch") == {200}
    reason = waiting_reasons(sink, "Alder")[-1]
    assert "its serial is 0002, wanted is 0001" in reason
    tell(35, "addresses exchanged in a ride", f"waiting: {reason}", "0 rows under a wrong name")


def test_found_by_name_and_serial_they_are_followed_to_their_new_addresses(tell: Tell) -> None:
    units = {ONE: "0001", TWO: "0002"}
    sensors = [Unit(f"{TWINS} number 1", ONE, units), Unit(f"{TWINS} number 2", TWO, units)]
    targets = [
        SensorTarget(name, match_name=TWINS, match_serial=serial)
        for name, serial in (("Alder", "0001"), ("Birch", "0002"))
    ]
    sink = on_air(sensors, exchanging(units), targets)
    assert watts(sink, "Alder") == {100}
    assert watts(sink, "Birch") == {200}
    again = {n: sink.times_s(Event.LINK_FOUND, n) for n in ("Alder", "Birch")}
    assert all(len(found) == 2 for found in again.values()), "followed, each to the address of the other"
    lost_s = max(sink.times_s(Event.LINK_LOST, n)[0] for n in ("Alder", "Birch"))
    after_s = max(found[1] for found in again.values()) - lost_s
    measured = f"followed {after_s:.0f} s after; 0 rows under a wrong name"
    tell(35, "the same, found by name and serial", "linked", measured)


@pytest.mark.parametrize("later", [True, False])
def test_of_two_with_one_name_none_is_taken_silently_and_the_known_one_is_kept(later: bool, tell: Tell) -> None:
    units = {ONE: "0001", TWO: "0002"}
    sensors = [Unit(f"{TWINS} number 1", ONE, units), Unit(f"{TWINS} number 2", TWO, units)]

    async def experiment(air: Air) -> None:
        link = air.troubled.radio.link
        link.set_in_range(TWO, not later)
        if later:
            await air.until_live("Alder")
            link.set_in_range(TWO, True)
            await asyncio.sleep(10)
            link.set_in_range(ONE, False)  # the known one goes: its twin is not taken for it
        await asyncio.sleep(120)

    sink = on_air(sensors, experiment, [SensorTarget("Alder", match_name=TWINS)])
    assert watts(sink, "Alder") == ({100} if later else set())
    if not later:
        (reason,) = waiting_reasons(sink, "Alder")
        assert reason == f"2 devices call themselves {TWINS} ({ONE}, {TWO}): give its address or serial"
        tell(35, "two devices with one name", f"waiting: {reason}", "0 rows, nothing connected")
    else:
        tell(35, "a twin appears in a ride", f"waiting: {waiting_reasons(sink, 'Alder')[-1]}", "0 rows of the twin")
