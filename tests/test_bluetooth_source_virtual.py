"""The Bluetooth source on a simulated radio in virtual time: long rides, loss of range, the same ride twice."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass

from analysis.rows import Event, RowKind
from recorder.bluetooth_source import BluetoothSource, SensorTarget
from simulated_sensors.peripheral import SentPacket, SimulatedRadio
from simulated_sensors.sensor import Answer, LinkChange, Packet
from simulated_sensors.virtual_time import VirtualClock, run_virtual
from tests.bluez_bench import ListSink
from tests.fake_sensors import FakeSensor, power_packets

Steps = Callable[[], Iterator[Packet | LinkChange]]


@dataclass
class Ridden:
    sink: ListSink
    sent: dict[str, list[SentPacket]]

    def got(self, name: str) -> list[tuple[str, bytes]]:
        return [
            (r.characteristic, r.payload) for r in self.sink.rows if r.sensor == name and r.row_kind == "notification"
        ]


async def begun(
    sensors: Sequence[FakeSensor], then: Callable[[BluetoothSource, ListSink], Awaitable[None]]
) -> Ridden:
    async with SimulatedRadio(sensors, seed=3, keep_log=True) as radio:
        loop = asyncio.get_running_loop()
        clock = VirtualClock(loop, 0)
        targets = [SensorTarget(s.name, address=s.address) for s in sensors]
        source, sink = BluetoothSource(targets, clock, radio.backend, seed=1), ListSink()
        await source.check()
        running = asyncio.ensure_future(source.run(sink))
        while len(sink.identities) < len(sensors):
            await asyncio.sleep(0.1)
        radio.begin_ride()
        await then(source, sink)
        assert not running.done()
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
        await source.close()
        assert source.live() == frozenset()
        assert source.callback_faults == 0
        return Ridden(sink, {s.name: radio.sent_log(s.name) for s in sensors})


def alder(steps: Steps) -> FakeSensor:
    return FakeSensor("Alder", "F0:00:00:00:00:01", steps=steps)


def test_twenty_minutes_with_lost_range_give_every_notification_once_and_in_order() -> None:
    def wandering() -> Iterator[Packet | LinkChange]:
        for packet in power_packets(4, 1200):
            if packet.at_s % 150 == 60:
                yield LinkChange(packet.at_s, False)
            if packet.at_s % 150 == 85:
                yield LinkChange(packet.at_s, True)
            yield packet

    steady = FakeSensor("Birch", "F0:00:00:00:00:02", steps=lambda: power_packets(4, 1200))

    async def ride(source: BluetoothSource, sink: ListSink) -> None:
        await asyncio.sleep(1205)

    def on_the_air(packet: SentPacket) -> bool:
        """Out of range, a sensor sends into the void until it notices that the link is gone."""
        return not 60 <= int.from_bytes(packet.payload[:4], "little") / 4 % 150 < 85

    ridden = run_virtual(begun([alder(wandering), steady], ride))
    heard = [(p.characteristic, p.payload) for p in ridden.sent["Alder"] if on_the_air(p)]
    assert ridden.got("Alder") == heard
    assert ridden.got("Birch") == [(p.characteristic, p.payload) for p in ridden.sent["Birch"]]
    assert len(ridden.sent["Birch"]) == 4800
    assert ridden.sink.of(Event.LINK_LOST, "Birch") == []
    assert len(ridden.sink.of(Event.LINK_LOST, "Alder")) == 8
    assert len(ridden.sink.of(Event.LINK_FOUND, "Alder")) == 9
    assert len(heard) > 4800 - 8 * 4 * (25 + 3), "back within 3 s each time"


def test_the_same_ride_twice_is_the_same_recording() -> None:
    def ridden() -> list[tuple[int, str, bytes]]:
        async def ride(source: BluetoothSource, sink: ListSink) -> None:
            await asyncio.sleep(20)

        sink = run_virtual(begun([alder(lambda: power_packets(4, 20))], ride)).sink
        return [(r.clock_ns, r.characteristic, r.payload) for r in sink.rows]

    assert ridden() == ridden()


def test_a_zero_offset_is_asked_and_answered_on_the_simulated_radio() -> None:
    sensor = alder(lambda: power_packets(4, 20))
    sensor.reply = Answer(1.0, b"\x20\x0c\x01\xf4\xff")

    async def ride(source: BluetoothSource, sink: ListSink) -> None:
        answer = await source.zero_offset("Alder")
        assert (answer.outcome, answer.raw, answer.unit) == ("done", -12, "N")

    sink = run_virtual(begun([sensor], ride)).sink
    assert sink.of(Event.ZERO_ANSWERED)[0].detail["raw"] == -12


def test_a_sensor_that_never_comes_leaves_the_others_alone() -> None:
    async def ride() -> ListSink:
        async with SimulatedRadio([alder(lambda: power_packets(4, 600))], seed=3) as radio:
            clock = VirtualClock(asyncio.get_running_loop(), 0)
            targets = [SensorTarget("Alder", address="F0:00:00:00:00:01"), SensorTarget("Birch", match_name="nobody")]
            source, sink = BluetoothSource(targets, clock, radio.backend, seed=1), ListSink()
            running = asyncio.ensure_future(source.run(sink))
            radio.begin_ride()
            await asyncio.sleep(600)
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await running
            await source.close()
            return sink

    sink = run_virtual(ride())
    assert len(sink.of(Event.LINK_FOUND, "Alder")) == 1
    assert sink.of(Event.LINK_LOST) == []
    assert len(sink.of(Event.LINK_WAITING, "Birch")) == 1


def test_a_payload_that_cannot_be_taken_is_told_once_and_the_next_ones_come_through() -> None:
    class Refusing(ListSink):
        refused = 0

        def received(
            self, clock_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind = "notification"
        ) -> None:
            if characteristic == "2a63" and self.refused < 2:
                self.refused += 1
                raise OverflowError("too much")
            super().received(clock_ns, sensor, characteristic, payload, row_kind)

    async def ride() -> ListSink:
        async with SimulatedRadio([alder(lambda: power_packets(4, 60))], seed=3) as radio:
            clock = VirtualClock(asyncio.get_running_loop(), 0)
            targets = [SensorTarget("Alder", address="F0:00:00:00:00:01")]
            source, sink = BluetoothSource(targets, clock, radio.backend, seed=1), Refusing()
            running = asyncio.ensure_future(source.run(sink))
            radio.begin_ride()
            await asyncio.sleep(30)
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await running
            await source.close()
            return sink

    sink = run_virtual(ride())
    assert sum(row.characteristic == "2a63" for row in sink.rows) > 100
    notes = [r.detail["text"] for r in sink.of(Event.NOTE, "Alder")]
    assert notes == ["a payload could not be taken (OverflowError: too much)"]


def test_started_anew_in_the_midst_of_connecting_it_reaches_every_sensor() -> None:
    """As a recording does with a source that failed."""

    async def ride() -> ListSink:
        birch = FakeSensor("Birch", "F0:00:00:00:00:02", steps=lambda: power_packets(4, 60))
        async with SimulatedRadio([alder(lambda: power_packets(4, 60)), birch], seed=3) as radio:
            clock = VirtualClock(asyncio.get_running_loop(), 0)
            targets = [SensorTarget(name, address=f"F0:00:00:00:00:0{n}") for n, name in ((1, "Alder"), (2, "Birch"))]
            source, sink = BluetoothSource(targets, clock, radio.backend, seed=1), ListSink()
            for seconds in (0.2501, 60.0):  # the first connection is begun at 0.25 s
                running = asyncio.ensure_future(source.run(sink))
                await asyncio.sleep(seconds)
                running.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await running
            await source.close()
            return sink

    sink = run_virtual(ride())
    assert [len(sink.of(Event.LINK_WAITING, name)) for name in ("Alder", "Birch")] == [1, 0]
    assert [len(sink.of(Event.LINK_FOUND, name)) for name in ("Alder", "Birch")] == [1, 1]
