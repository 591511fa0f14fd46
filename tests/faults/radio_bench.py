"""A Bluetooth source on a troubled radio in virtual time, and what a person would have read meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import Awaitable, Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.rows import Event, Row
from recorder.bluetooth_source import BluetoothSource, SensorTarget, Timings
from recorder.plain_lines import PlainLines
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import Packet, SimulatedSensor
from simulated_sensors.virtual_time import VirtualClock, run_virtual
from tests.bluez_bench import ListSink
from tests.fake_sensors import FakeSensor
from tests.faults.troubled_radio import TroubledRadio
from tests.riding import payload

RATE_HZ = 4.0


class TimedSink(ListSink):
    """Events are stamped by the clock of the loop, as the rows are."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__()
        self._clock = clock
        self.told: list[tuple[float, str, str | None, dict[str, Any]]] = []

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        super().happened(event, sensor, **detail)
        self.told.append((self._clock.now_ns() / 1e9, event, sensor, detail))

    def times_s(self, event: str, sensor: str | None = None) -> list[float]:
        return [at_s for at_s, what, who, _ in self.told if what == event and who == sensor]

    def after_s(self, at_s: float, event: str, sensor: str | None = None) -> float:
        """How long after `at_s` it was told."""
        return next(t for t in self.times_s(event, sensor) if t >= at_s) - at_s

    def heard_s(self, sensor: str) -> list[float]:
        """When measurements came."""
        return [r.clock_ns / 1e9 for r in self.rows if r.sensor == sensor and r.characteristic == "2a63"]

    def longest_gap_s(self, sensor: str) -> float:
        heard = self.heard_s(sensor)
        return max(b - a for a, b in itertools.pairwise(heard))

    def back_after_s(self, at_s: float, sensor: str) -> float:
        return min(t for t in self.heard_s(sensor) if t > at_s) - at_s


def lines_of(events: Iterable[tuple[str, str | None, dict[str, Any]]]) -> list[str]:
    """What a recorder without a screen says of them."""
    said: list[str] = []
    lines = PlainLines(said.append)
    for event, sensor, detail in events:
        lines(Row(0, "event", sensor, event=event, detail=detail), {})
    return [line.strip().partition("  ")[2] for line in said]


def sentences(sink: ListSink) -> list[str]:
    return lines_of((h.event, h.sensor, h.detail) for h in sink.events)


@dataclass
class Air:
    """What an experiment works with."""

    troubled: TroubledRadio
    source: BluetoothSource
    sink: TimedSink

    @property
    def now_s(self) -> float:
        return asyncio.get_running_loop().time()

    async def until_live(self, *sensors: str) -> None:
        while not self.source.live() >= set(sensors):
            await asyncio.sleep(0.05)


def steady(name: str, number: int, **fields: Any) -> FakeSensor:
    """200 W for ever, each packet with its own number."""
    return FakeSensor(name, f"F0:00:00:00:00:{number:02X}", steps=numbered_packets, **fields)


def numbered_packets() -> Iterator[Packet]:
    for number in itertools.count():
        yield Packet(number / RATE_HZ, "2a63", payload(number))


def on_air(
    sensors: Sequence[SimulatedSensor],
    experiment: Callable[[Air], Awaitable[None]],
    targets: Iterable[SensorTarget] = (),
    timings: Timings | None = None,
) -> TimedSink:
    """Rides until the experiment ends. Targets are found by address, unless others are given."""

    async def ride() -> TimedSink:
        async with SimulatedRadio(sensors, seed=3) as radio:
            troubled = TroubledRadio(radio)
            clock = VirtualClock(asyncio.get_running_loop(), 0)
            wanted = list(targets) or [SensorTarget(s.name, address=s.address) for s in sensors]
            source = BluetoothSource(wanted, clock, troubled.backend, timings, seed=1)
            sink = TimedSink(clock)
            running = asyncio.ensure_future(source.run(sink))
            radio.begin_ride()
            await experiment(Air(troubled, source, sink))
            assert not running.done()
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await running
            await source.close()
            assert source.callback_faults == 0
            return sink

    return run_virtual(ride())


def waiting_reasons(sink: ListSink, sensor: str) -> list[str]:
    return [h.detail["reason"] for h in sink.of(Event.LINK_WAITING, sensor)]
