"""The simulated radio through the recorder's own Bluetooth library; "trap" marks what Bumble alone gets wrong."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from functools import partial
from typing import Any, TypeVar, cast

import pytest
from bumble.controller import Controller
from bumble.core import PhysicalTransport
from bumble.hci import Address

from recorder.bluetooth_library import (
    AdvertisementData,
    BaseBleakScanner,
    BleakClient,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakScanner,
    BLEDevice,
    normalize_uuid_16,
)
from simulated_sensors.peripheral import CENTRAL_ADDRESS, SimulatedRadio
from simulated_sensors.sensor import Answer, LinkChange, Packet, Refusal
from simulated_sensors.virtual_link import SUPERVISION_S, VirtualLink
from simulated_sensors.virtual_time import run_virtual
from tests.fake_sensors import FakeSensor, power_packets

T = TypeVar("T")
POWER, FEATURE, CONTROL, MODEL = (normalize_uuid_16(n) for n in (0x2A63, 0x2A65, 0x2A66, 0x2A24))
ALDER = "F0:00:00:00:00:01"


def on_air(
    main: Callable[[SimulatedRadio], Awaitable[T]], *sensors: FakeSensor, supervision_s: float = SUPERVISION_S
) -> T:
    async def run() -> T:
        async with SimulatedRadio(sensors or (FakeSensor(),), supervision_s=supervision_s, keep_log=True) as radio:
            return await main(radio)

    return run_virtual(run())


def scanner(radio: SimulatedRadio) -> type[BaseBleakScanner]:
    assert radio.backend.scanner is not None
    return radio.backend.scanner


async def found(radio: SimulatedRadio, address: str = ALDER) -> BLEDevice:
    device = await BleakScanner.find_device_by_address(address, timeout=10, backend=scanner(radio))
    assert device is not None
    return device


async def connected(radio: SimulatedRadio, address: str = ALDER, lost: Callable[[], object] = bool) -> BleakClient:
    def on_loss(_client: BleakClient) -> None:
        lost()

    device = await found(radio, address)
    client = BleakClient(device, disconnected_callback=on_loss, timeout=10, backend=radio.backend.client)
    await client.connect()
    return client


def sensors(number: int, **fields: Any) -> list[FakeSensor]:
    return [FakeSensor(name=f"Sensor {i}", address=f"F0:00:00:00:00:{i:02X}", **fields) for i in range(1, number + 1)]


# Scanning


def test_advertisement_is_reported_once_with_the_scan_response_in_it() -> None:  # trap
    async def main(radio: SimulatedRadio) -> list[tuple[BLEDevice, AdvertisementData]]:
        seen: list[tuple[BLEDevice, AdvertisementData]] = []
        async with BleakScanner(lambda d, a: seen.append((d, a)), backend=scanner(radio)):
            await asyncio.sleep(1.6)
        await asyncio.sleep(5)
        return seen

    seen = on_air(main)
    assert 9 <= len(seen) <= 11  # every 160 ms, and no more once the scanner has stopped
    assert {d.address for d, _ in seen} == {ALDER}
    assert {a.local_name for _, a in seen} == {"Alder pedals"}
    assert seen[0][1].service_uuids == [normalize_uuid_16(0x1818), normalize_uuid_16(0x180F)]
    strengths = [a.rssi for _, a in seen]
    assert len(set(strengths)) > 1
    assert all(-80 <= s <= -45 for s in strengths)


def test_scan_filter_of_services() -> None:
    async def main(radio: SimulatedRadio) -> list[str]:
        uuids = [normalize_uuid_16(0x1826)]
        devices = await BleakScanner.discover(1, backend=scanner(radio), service_uuids=uuids)
        return [d.address for d in devices]

    power, trainer = sensors(2)
    trainer.service_uuids = ("1826",)
    assert on_air(main, power, trainer) == [trainer.address]


@pytest.mark.parametrize(
    ("name", "seen_as"),
    [
        ("Bj\udcff", "Bj\ufffd"),  # a byte that is no UTF-8
        ("Birch spider with a name of 37 letters", "Birch spider with a name of 37 letters"[:29]),
        ("", ""),
    ],
)
def test_awkward_names(name: str, seen_as: str) -> None:  # trap
    async def main(radio: SimulatedRadio) -> str | None:
        return (await found(radio)).name

    assert on_air(main, FakeSensor(name=name)) == seen_as


def test_connected_sensor_does_not_advertise() -> None:
    async def main(radio: SimulatedRadio) -> tuple[int, int]:
        client = await connected(radio)
        taken = await BleakScanner.discover(2, backend=scanner(radio))
        await client.disconnect()
        free = await BleakScanner.discover(2, backend=scanner(radio))
        return len(taken), len(free)

    assert on_air(main) == (0, 1)


# What a sensor offers


def test_services_characteristics_and_descriptors() -> None:
    async def main(radio: SimulatedRadio) -> tuple[dict[str, list[str]], list[str], int]:
        client = await connected(radio)
        offered = {c.uuid[4:8]: sorted(map(str, c.properties)) for s in client.services for c in s.characteristics}
        power = client.services.get_characteristic(POWER)
        assert power is not None
        descriptors = [d.uuid[4:8] for d in power.descriptors]
        assert await client.read_gatt_descriptor(power.descriptors[0].handle) == b"\x00\x00"
        return offered, descriptors, client.mtu_size

    offered, descriptors, mtu = on_air(main)
    assert offered["2a63"] == ["notify"]
    assert offered["2a19"] == ["notify", "read"]
    assert offered["2a66"] == ["indicate", "write"]
    assert offered["2a65"] == ["read"]
    assert descriptors == ["2902"]
    assert mtu == 247


def test_reads_and_refusals() -> None:
    async def main(radio: SimulatedRadio) -> None:
        client = await connected(radio)
        assert await client.read_gatt_char(FEATURE) == b"\x0c\x00\x00\x00"
        assert await client.read_gatt_char(MODEL) == b"AL-1"
        # Core Vol 3 Part F 3.4.1.1: 0x02 read not permitted, 0x03 write not permitted
        with pytest.raises(BleakGATTProtocolError) as refused:
            await client.read_gatt_char(POWER)
        assert refused.value.code == 0x02
        with pytest.raises(BleakGATTProtocolError) as refused:
            await client.write_gatt_char(MODEL, b"x", response=True)
        assert refused.value.code == 0x03

    on_air(main)


# Streaming


def test_every_packet_arrives_in_order_at_its_time() -> None:
    async def main(radio: SimulatedRadio) -> tuple[list[tuple[float, bytes]], list[tuple[float, bytes]], int]:
        loop = asyncio.get_running_loop()
        got: list[tuple[float, bytes]] = []
        client = await connected(radio)
        await client.start_notify(POWER, lambda _c, data: got.append((loop.time(), bytes(data))))
        radio.begin_ride(at_s=100.0)
        await asyncio.sleep(200)
        log = [(packet.at_s, packet.payload) for packet in radio.sent_log("Alder pedals")]
        return got, log, radio.sent("Alder pedals")

    got, log, sent = on_air(main, FakeSensor(steps=lambda: power_packets(4.0, 30.0)))
    assert sent == 120
    assert got == log
    assert [at for at, _ in got] == pytest.approx([100 + n / 4 for n in range(120)], abs=1e-9)


@pytest.mark.parametrize("length", [0, 1, 2, 6, 34, 109])
def test_measurements_of_every_length_arrive_whole(length: int) -> None:  # trap
    async def main(radio: SimulatedRadio) -> list[bytes]:
        got: list[bytes] = []
        client = await connected(radio)
        await client.start_notify(POWER, lambda _c, data: got.append(bytes(data)))
        radio.begin_ride()
        await asyncio.sleep(1)
        return got

    payload = bytes(range(length))
    assert on_air(main, FakeSensor(steps=lambda: [Packet(0.5, "2a63", payload)])) == [payload]


def test_packets_without_a_listener_are_counted_not_sent() -> None:
    async def main(radio: SimulatedRadio) -> tuple[int, int]:
        await asyncio.sleep(50)  # nothing is due before the ride
        radio.begin_ride()
        await asyncio.sleep(10.1)
        client = await connected(radio)
        await client.start_notify(POWER, lambda _c, _d: None)
        await asyncio.sleep(60)
        return radio.sent("Alder pedals"), radio.unsent("Alder pedals")

    sent, unsent = on_air(main, FakeSensor(steps=lambda: power_packets(1.0, 30.0)))
    assert sent + unsent == 30
    assert 11 <= unsent <= 13


def test_one_callback_at_a_time_and_none_after_stop() -> None:
    async def main(radio: SimulatedRadio) -> tuple[int, int]:
        first: list[bytes] = []
        second: list[bytes] = []
        client = await connected(radio)
        await client.start_notify(POWER, lambda _c, data: first.append(bytes(data)))
        await client.start_notify(POWER, lambda _c, data: second.append(bytes(data)))
        radio.begin_ride()
        await asyncio.sleep(9.5)
        await client.stop_notify(POWER)
        await asyncio.sleep(10)
        return len(first), len(second)

    assert on_air(main, FakeSensor(steps=lambda: power_packets(1.0))) == (0, 10)


def test_the_same_ride_gives_the_same_bytes_at_the_same_times_twice() -> None:
    async def main(radio: SimulatedRadio) -> list[tuple[float, str, bytes]]:
        loop = asyncio.get_running_loop()
        got: list[tuple[float, str, bytes]] = []
        for number in range(1, 5):
            client = await connected(radio, f"F0:00:00:00:00:{number:02X}")

            def note(_c: Any, data: bytearray, name: str = client.address) -> None:
                got.append((loop.time(), name, bytes(data)))

            await client.start_notify(POWER, note)
        radio.begin_ride()
        await asyncio.sleep(29.9)
        return got

    rides = [on_air(main, *sensors(4, steps=lambda: power_packets(4.0))) for _ in range(2)]
    assert len(rides[0]) == 4 * 120
    assert rides[0] == rides[1]


def test_an_error_in_the_schedule_is_not_swallowed() -> None:
    def steps() -> Iterator[Packet]:
        yield Packet(1.0, "2a63", b"")
        raise RuntimeError("the rider fell off")

    async def run() -> int:
        radio = await SimulatedRadio([FakeSensor(steps=steps), *sensors(3)[1:]]).__aenter__()
        radio.begin_ride()
        await asyncio.sleep(5)
        with pytest.raises(RuntimeError, match="fell off"):
            await radio.stop()
        return sum(c.is_advertising for c in radio.link.controllers)

    assert run_virtual(run()) == 0  # and the others were stopped all the same


# Connecting


def test_many_connect_at_once_while_one_is_absent() -> None:  # trap
    async def main(radio: SimulatedRadio) -> tuple[float, bool, bool]:
        loop = asyncio.get_running_loop()
        scan = await BleakScanner.discover(1, backend=scanner(radio))
        radio.link.set_in_range("F0:00:00:00:00:03", False)
        clients = {d.address: BleakClient(d, timeout=10, backend=radio.backend.client) for d in scan}
        absent = clients.pop("F0:00:00:00:00:03")
        began_s = loop.time()
        waiting = asyncio.create_task(absent.connect())
        await asyncio.gather(*(client.connect() for client in clients.values()))
        took_s = loop.time() - began_s
        with pytest.raises(TimeoutError):
            await waiting
        assert loop.time() - began_s == pytest.approx(10, abs=0.1)
        # After an attempt that ran out of time the adapter must be free for the next.
        radio.link.set_in_range("F0:00:00:00:00:03", True)
        await absent.connect()
        return took_s, all(c.is_connected for c in clients.values()), absent.is_connected

    took_s, all_connected, late = on_air(main, *sensors(6))
    assert took_s < 3
    assert all_connected
    assert late


def test_unknown_address_is_not_found() -> None:
    async def main(radio: SimulatedRadio) -> None:
        with pytest.raises(BleakDeviceNotFoundError):
            await BleakClient("F0:00:00:00:00:99", timeout=5, backend=radio.backend.client).connect()

    on_air(main)


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.1, 0.2])
def test_cancelled_connect_leaves_the_adapter_usable(after_s: float) -> None:
    async def main(radio: SimulatedRadio) -> bool:
        device = await found(radio)
        attempt = asyncio.create_task(BleakClient(device, backend=radio.backend.client).connect())
        await asyncio.sleep(after_s)
        attempt.cancel()
        with pytest.raises(asyncio.CancelledError):
            await attempt
        return (await connected(radio)).is_connected

    assert on_air(main)


def test_cancelled_while_the_adapter_is_trying() -> None:  # trap
    async def main(radio: SimulatedRadio) -> bool:
        device = await found(radio)
        attempt = asyncio.create_task(BleakClient(device, backend=radio.backend.client).connect())
        adapter = radio.link.find_le_controller(Address(CENTRAL_ADDRESS))
        assert adapter is not None
        while adapter.pending_le_connection is None:
            await asyncio.sleep(1e-3)
        radio.link.set_in_range(ALDER, False)
        attempt.cancel()
        with pytest.raises(asyncio.CancelledError):
            await attempt
        assert adapter.pending_le_connection is None
        radio.link.set_in_range(ALDER, True)
        return (await connected(radio)).is_connected

    assert on_air(main)


@pytest.mark.parametrize("address", ["00:00:00:00:00:01", "40:00:00:00:00:01"])
def test_addresses_must_be_random_static(address: str) -> None:  # trap
    async def main(_radio: SimulatedRadio) -> None: ...

    with pytest.raises(ValueError, match="static"):
        on_air(main, FakeSensor(address=address))


def test_names_and_addresses_must_differ() -> None:
    with pytest.raises(ValueError, match="of their own"):
        SimulatedRadio([FakeSensor(), FakeSensor(name="Birch")])
    with pytest.raises(ValueError, match="of their own"):
        SimulatedRadio([FakeSensor(), FakeSensor(address="F0:00:00:00:00:02")])


# Losing the link


def test_a_sensor_that_leaves_is_missed_after_the_supervision_time() -> None:  # trap
    async def main(radio: SimulatedRadio) -> tuple[float, list[float], bool]:
        loop = asyncio.get_running_loop()
        lost_s: list[float] = []
        got_s: list[float] = []
        client = await connected(radio, lost=lambda: lost_s.append(loop.time() - start_s))
        await client.start_notify(POWER, lambda _c, _d: got_s.append(loop.time() - start_s))
        start_s = loop.time()
        radio.begin_ride()
        await asyncio.sleep(29)
        assert not client.is_connected
        assert len(lost_s) == 1
        again = await connected(radio)  # it came back at 20 s
        await again.start_notify(POWER, lambda _c, _d: got_s.append(loop.time() - start_s))
        await asyncio.sleep(10)
        return lost_s[0], got_s, again.is_connected

    def steps() -> Iterator[Packet | LinkChange]:
        for packet in power_packets(1.0):
            if packet.at_s == 10:
                yield LinkChange(9.5, False)
            if packet.at_s == 20:
                yield LinkChange(19.5, True)
            yield packet

    lost_s, got_s, back = on_air(main, FakeSensor(steps=steps))
    assert lost_s == pytest.approx(9.5 + SUPERVISION_S, abs=1e-6)
    assert back
    assert [round(s) for s in got_s if s < 20] == list(range(10))
    assert len([s for s in got_s if s > 20]) >= 9


def test_a_short_fade_loses_nothing_and_keeps_the_order() -> None:
    async def main(radio: SimulatedRadio) -> list[tuple[float, int]]:
        loop = asyncio.get_running_loop()
        got: list[tuple[float, int]] = []
        client = await connected(radio)
        await client.start_notify(
            POWER, lambda _c, data: got.append((loop.time() - start_s, int.from_bytes(data[:4], "little")))
        )
        start_s = loop.time()
        radio.begin_ride()
        await asyncio.sleep(5.05)
        radio.link.set_in_range(ALDER, False)
        await asyncio.sleep(0.6)
        radio.link.set_in_range(ALDER, True)
        await asyncio.sleep(5)
        assert client.is_connected
        return got

    got = on_air(main, FakeSensor(steps=lambda: power_packets(10.0)))
    assert [number for _, number in got] == list(range(len(got)))
    assert len(got) > 100
    assert len([at for at, _ in got if at == pytest.approx(5.65)]) == 6  # those of 5.1 to 5.6 s, in one burst


def test_congestion_delays_and_keeps_the_order() -> None:  # trap
    async def main(radio: SimulatedRadio) -> list[tuple[float, int]]:
        loop = asyncio.get_running_loop()
        got: list[tuple[float, int]] = []
        client = await connected(radio)
        await client.start_notify(
            POWER, lambda _c, data: got.append((loop.time() - start_s, int.from_bytes(data[:4], "little")))
        )
        start_s = loop.time()
        radio.begin_ride()
        await asyncio.sleep(3.1)
        radio.link.hold(ALDER, 2.0)
        radio.link.hold(ALDER, 0.5)  # within the first, so without effect
        await asyncio.sleep(7)
        return got

    got = on_air(main, FakeSensor(steps=lambda: power_packets(4.0)))
    assert [number for _, number in got] == list(range(len(got)))
    assert not [at for at, _ in got if 3.1 < at < 5.1 - 1e-6]
    assert len([at for at, _ in got if at == pytest.approx(5.1)]) == 8


def test_what_is_sent_as_congestion_ends_does_not_overtake() -> None:
    class Ear:
        """As much of a controller as the link needs in order to deliver."""

        def __init__(self, address: str, peer: str) -> None:
            self.random_address = Address(address)
            self.le_connections = {Address(peer): None}
            self.heard: list[bytes] = []

        def on_link_acl_data(self, _source: Address, _transport: PhysicalTransport, data: bytes) -> None:
            self.heard.append(data)

    async def run() -> list[bytes]:
        loop = asyncio.get_running_loop()
        link = VirtualLink()
        sensor, central = Ear(ALDER, CENTRAL_ADDRESS), Ear(CENTRAL_ADDRESS, ALDER)
        for ear in (sensor, central):
            link.on_address_changed(cast(Controller, ear))

        def send(data: bytes) -> None:
            link.send_acl_data(cast(Controller, sensor), central.random_address, PhysicalTransport.LE, data)

        loop.call_at(1.0, send, b"second")  # set first, so it runs before the end of the congestion at 1.0
        link.hold(ALDER, 1.0)
        send(b"first")
        await asyncio.sleep(2)
        return central.heard

    assert run_virtual(run()) == [b"first", b"second"]


def test_a_sensor_that_leaves_in_the_moment_of_connecting() -> None:
    async def main(radio: SimulatedRadio) -> float:
        loop = asyncio.get_running_loop()
        device = await found(radio)
        adapter = radio.link.find_le_controller(Address(CENTRAL_ADDRESS))
        assert adapter is not None

        def leaves_when_asked(_address: str) -> int:
            if adapter.pending_le_connection is not None:
                radio.link.set_in_range(ALDER, False)
            return -90

        radio.link.rssi_dbm = leaves_when_asked
        async with BleakScanner(backend=scanner(radio)):
            began_s = loop.time()
            with pytest.raises(BleakError):
                await BleakClient(device, timeout=10, backend=radio.backend.client).connect()
        return loop.time() - began_s

    assert on_air(main) < 1.0  # at once, as a connection failed to be established: not after all of its time


def test_loss_during_a_read_is_an_error_of_the_library() -> None:  # trap
    async def main(radio: SimulatedRadio) -> None:
        client = await connected(radio)
        radio.link.set_in_range(ALDER, False)
        with pytest.raises(BleakError, match="Not connected"):
            await client.read_gatt_char(FEATURE)
        with pytest.raises(BleakError, match="Service Discovery"):
            await client.read_gatt_char(FEATURE)
        await client.disconnect()

    on_air(main)


def test_our_own_cancellation_stays_one() -> None:  # trap, the other side
    async def main(radio: SimulatedRadio) -> None:
        client = await connected(radio)
        radio.link.hold(ALDER, 1.0)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.2):
                await client.read_gatt_char(FEATURE)
        reading = asyncio.create_task(client.read_gatt_char(FEATURE))
        await asyncio.sleep(0.1)
        reading.cancel()
        with pytest.raises(asyncio.CancelledError):
            await reading

    on_air(main)


def test_late_answer_of_an_abandoned_read_goes_to_nobody_else() -> None:  # trap
    async def main(radio: SimulatedRadio) -> bytes:
        client = await connected(radio)
        radio.link.hold(ALDER, 1.0)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.2):
                await client.read_gatt_char(FEATURE)
        return bytes(await client.read_gatt_char(MODEL))

    assert on_air(main) == b"AL-1"


def test_requested_disconnect_calls_back_once_and_may_be_repeated() -> None:
    async def main(radio: SimulatedRadio) -> int:
        lost: list[int] = []
        client = await connected(radio, lost=lambda: lost.append(1))
        await asyncio.gather(client.disconnect(), client.disconnect())
        await client.disconnect()
        assert not client.is_connected
        return len(lost)

    assert on_air(main) == 1


def test_disconnect_while_out_of_range_does_not_wait() -> None:
    async def main(radio: SimulatedRadio) -> float:
        client = await connected(radio)
        radio.link.set_in_range(ALDER, False)
        began_s = asyncio.get_running_loop().time()
        await client.disconnect()
        took_s = asyncio.get_running_loop().time() - began_s
        await asyncio.sleep(0.1)
        radio.link.set_in_range(ALDER, True)
        assert (await connected(radio)).is_connected
        return took_s

    assert on_air(main) < 0.1


def test_stopping_the_radio_ends_links_and_advertising() -> None:  # trap
    async def run() -> tuple[list[str], int]:
        lost: list[str] = []
        async with SimulatedRadio(sensors(3)) as radio:
            for number in (1, 2):
                await connected(radio, f"F0:00:00:00:00:0{number}", lost=partial(lost.append, str(number)))
            await radio.stop()
            await radio.stop()
            await asyncio.sleep(1)
            return lost, sum(c.is_advertising for c in radio.link.controllers)

    assert run_virtual(run()) == (["1", "2"], 0)


# Control point


def control_test(
    reply: Answer | Refusal | None, main: Callable[[SimulatedRadio, BleakClient, list[bytes]], Awaitable[T]]
) -> tuple[T, FakeSensor]:
    sensor = FakeSensor(reply=reply)

    async def run(radio: SimulatedRadio) -> T:
        answers: list[bytes] = []
        client = await connected(radio)
        await client.start_notify(CONTROL, lambda _c, data: answers.append(bytes(data)))
        return await main(radio, client, answers)

    return on_air(run, sensor), sensor


def test_control_point_answers_after_its_delay() -> None:
    async def main(radio: SimulatedRadio, client: BleakClient, answers: list[bytes]) -> list[bytes]:
        radio.begin_ride()
        await asyncio.sleep(7)
        await client.write_gatt_char(CONTROL, b"\x0c", response=True)
        await asyncio.sleep(1.9)
        assert answers == []
        await asyncio.sleep(0.2)
        return answers

    answers, sensor = control_test(Answer(2.0, bytes.fromhex("200c01 f4ff")), main)
    # Cycling Power Service 1.1, 3.3 (from memory): response 0x20, request 0x0C, success 0x01, raw torque as sint16
    assert answers == [bytes.fromhex("200c01f4ff")]
    ((characteristic, request, ride_s),) = sensor.requests
    assert (characteristic, request) == ("2a66", b"\x0c")
    assert ride_s == pytest.approx(7.0)


@pytest.mark.parametrize("code", [0xFE, 0x80])
def test_control_point_refuses(code: int) -> None:
    async def main(_radio: SimulatedRadio, client: BleakClient, _answers: list[bytes]) -> None:
        with pytest.raises(BleakGATTProtocolError) as refused:
            await client.write_gatt_char(CONTROL, b"\x0c", response=True)
        assert refused.value.code == code

    control_test(Refusal(code), main)


def test_control_point_may_stay_silent() -> None:
    async def main(_radio: SimulatedRadio, client: BleakClient, answers: list[bytes]) -> None:
        await client.write_gatt_char(CONTROL, b"\x0c", response=True)
        await asyncio.sleep(120)
        assert answers == []
        assert client.is_connected

    control_test(None, main)


def test_control_point_without_indications_refuses_with_0xfd() -> None:
    async def main(radio: SimulatedRadio) -> None:
        client = await connected(radio)
        with pytest.raises(BleakGATTProtocolError) as refused:
            await client.write_gatt_char(CONTROL, b"\x0c", response=True)
        assert refused.value.code == 0xFD  # Core Specification Supplement, Part B 1.2: CCCD improperly configured

    sensor = FakeSensor(reply=Answer(0.0, b"\x20\x0c\x01"))
    on_air(main, sensor)
    assert sensor.requests == []


def test_a_failing_callback_still_confirms_the_indication(caplog: pytest.LogCaptureFixture) -> None:  # trap
    async def run(radio: SimulatedRadio) -> int:
        calls = 0

        def fails(_c: Any, _data: bytearray) -> None:
            nonlocal calls
            calls += 1
            raise RuntimeError("no such row")

        client = await connected(radio)
        await client.start_notify(CONTROL, fails)
        for _ in range(3):
            await client.write_gatt_char(CONTROL, b"\x0c", response=True)
            await asyncio.sleep(1)
        return calls

    assert on_air(run, FakeSensor(reply=Answer(0.1, b"\x20\x0c\x01"))) == 3
    assert caplog.text.count("a notification callback failed") == 3


def test_pending_indication_does_not_outlive_its_link() -> None:  # trap
    async def main(radio: SimulatedRadio, client: BleakClient, _answers: list[bytes]) -> tuple[int, int]:
        tasks = len(asyncio.all_tasks())
        await client.write_gatt_char(CONTROL, b"\x0c", response=True)
        radio.link.set_in_range(ALDER, False)
        await asyncio.sleep(1.0)  # the indication went out at 0.1 s and can never be confirmed
        assert not client.is_connected
        return tasks, len(asyncio.all_tasks())

    (before, after), _ = control_test(Answer(0.1, b"\x20\x0c\x01"), main)
    assert after == before
