"""Serves simulated sensors as real GATT servers, each on a device of its own, in ride time."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Any, NamedTuple

from bumble.att import ATT_Error, Attribute, AttributeValue, ErrorCode
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device
from bumble.gatt import Characteristic, Service

from recorder.bluetooth_library import Backend
from simulated_sensors.bleak_backend import backend_on
from simulated_sensors.sensor import Answer, LinkChange, Packet, Refusal, SimulatedSensor
from simulated_sensors.virtual_link import SUPERVISION_S, VirtualLink, device_on

CENTRAL_ADDRESS = "C0:00:00:00:00:01"
_ADVERTISING_INTERVAL_MS = 100.0
_Props = Characteristic.Properties
# Assigned numbers, each with the properties that its service specification asks for; whatever is not here is read.
_PROPERTIES = {
    "2a63": _Props.NOTIFY,  # cycling power measurement
    "2a5b": _Props.NOTIFY,  # cycling speed and cadence measurement
    "2ad2": _Props.NOTIFY,  # indoor bike data
    "2ada": _Props.NOTIFY,  # fitness machine status
    "2ad3": _Props.NOTIFY | _Props.READ,  # training status
    "2a19": _Props.NOTIFY | _Props.READ,  # battery level
    "2a6e": _Props.NOTIFY | _Props.READ,  # temperature
    "2a66": _Props.WRITE | _Props.INDICATE,  # cycling power control point
    "2a55": _Props.WRITE | _Props.INDICATE,  # speed and cadence control point
    "2ad9": _Props.WRITE | _Props.INDICATE,  # fitness machine control point
}


class SentPacket(NamedTuple):
    at_s: float  # loop time
    characteristic: str
    payload: bytes


class RideStart:
    """When the ride begins, in the loop's time."""

    def __init__(self) -> None:
        self.at_s: float | None = None
        self.begun = asyncio.Event()

    def begin(self, at_s: float) -> None:
        self.at_s = at_s
        self.begun.set()

    def ride_s(self) -> float:
        """Seconds into the ride; 0 before it."""
        return 0.0 if self.at_s is None else max(0.0, asyncio.get_running_loop().time() - self.at_s)


async def _sleep_until(at_s: float) -> None:
    # To the exact instant, where adding up sleeps would drift.
    loop = asyncio.get_running_loop()
    if at_s <= loop.time():
        await asyncio.sleep(0)  # many packets overdue must not starve the rest
        return
    due = asyncio.Event()
    timer = loop.call_at(at_s, due.set)
    try:
        await due.wait()
    finally:
        timer.cancel()


class Peripheral:
    """One sensor on one device, which may stand on the virtual link or on a real adapter.

    `sent` counts what was handed to a link; of it, only what is under way when the link is lost never arrives.
    `unsent` counts packets due while nobody had subscribed.
    """

    def __init__(
        self,
        sensor: SimulatedSensor,
        device: Device,
        ride: RideStart,
        change_link: Callable[[bool], Awaitable[None]],
        log: list[SentPacket] | None = None,
    ) -> None:
        self.sensor, self.device = sensor, device
        self.sent = self.unsent = 0
        self._ride, self._change_link, self._log = ride, change_link, log
        self._attributes: dict[str, Characteristic[bytes]] = {}
        self._connection: Connection | None = None
        self._silenced = False
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def connected(self) -> bool:
        return self._connection is not None

    async def start(self) -> None:
        for service, characteristics in self.sensor.services.items():
            self.device.add_service(Service(UUID(service), [self._characteristic(c) for c in characteristics]))
        self.device.on(Device.EVENT_CONNECTION, self._on_connection)
        self.device.advertising_data, self.device.scan_response_data = _advertisement(self.sensor)
        await self.device.power_on()
        await self._advertise()
        self._spawn(self._perform())

    async def stop(self) -> None:
        """Disappears in an orderly way.

        Raises:
            Exception: what went wrong in the sensor's own schedule, if anything did.
        """
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        outcomes = await asyncio.gather(*tasks, return_exceptions=True)
        await self.silence()
        await self.device.power_off()
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome

    async def silence(self) -> None:
        """No link and no advertisement until `speak`; powering off alone would end neither in Bumble."""
        self._silenced = True
        await self.device.stop_advertising()
        if self._connection is not None:
            await self._connection.disconnect()

    async def speak(self) -> None:
        self._silenced = False
        await self._advertise()

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._forget)

    def _forget(self, task: asyncio.Task[None]) -> None:
        # A failed one is kept until `stop`, which is where its error is seen.
        if task.cancelled() or task.exception() is None:
            self._tasks.discard(task)

    async def _advertise(self) -> None:
        if self._connection is None and not self._silenced:
            await self.device.start_advertising(
                advertising_interval_min=_ADVERTISING_INTERVAL_MS, advertising_interval_max=_ADVERTISING_INTERVAL_MS
            )

    def _on_connection(self, connection: Connection) -> None:
        self._connection = connection
        connection.on(Connection.EVENT_DISCONNECTION, self._on_disconnection)

    def _on_disconnection(self, _reason: int) -> None:
        self._connection = None
        if not self._silenced:
            self._spawn(self._advertise())

    async def _perform(self) -> None:
        await self._ride.begun.wait()
        start_s = self._ride.at_s or 0.0
        for step in self.sensor.schedule():
            await _sleep_until(start_s + step.at_s)
            if isinstance(step, LinkChange):
                await self._change_link(step.up)
            else:
                await self._notify(step)

    async def _notify(self, packet: Packet) -> None:
        attribute = self._attributes[packet.characteristic]
        connection = self._connection
        if connection is None or not self._subscribed(connection, attribute, 0x01):
            self.unsent += 1
            return
        await self.device.notify_subscriber(connection, attribute, packet.payload)
        self.sent += 1
        if self._log is not None:
            now_s = asyncio.get_running_loop().time()
            self._log.append(SentPacket(now_s, packet.characteristic, packet.payload))

    def _subscribed(self, connection: Connection, attribute: Characteristic[bytes], bit: int) -> bool:
        return bool(self.device.gatt_server.read_cccd(connection, attribute)[0] & bit)

    def _characteristic(self, number: str) -> Characteristic[bytes]:
        properties = _PROPERTIES.get(number, _Props.READ)

        def read(_connection: Connection) -> bytes:
            if not properties & _Props.READ:
                raise ATT_Error(ErrorCode.READ_NOT_PERMITTED)
            return self.sensor.read(number)

        def write(connection: Connection, request: bytes) -> None:
            if not properties & _Props.WRITE:
                raise ATT_Error(ErrorCode.WRITE_NOT_PERMITTED)
            self._on_request(connection, number, bytes(request))

        # Bumble checks no permissions by itself.
        both = Attribute.Permissions.READABLE | Attribute.Permissions.WRITEABLE
        made = Characteristic[bytes](UUID(number), properties, both, AttributeValue(read=read, write=write))
        self._attributes[number] = made
        return made

    def _on_request(self, connection: Connection, number: str, request: bytes) -> None:
        if not self._subscribed(connection, self._attributes[number], 0x02):
            raise ATT_Error(ErrorCode.CCCD_IMPROPERLY_CONFIGURED)
        reply = self.sensor.write(number, request, self._ride.ride_s())
        if isinstance(reply, Refusal):
            raise ATT_Error(reply.att_error)
        if isinstance(reply, Answer):
            self._spawn(self._indicate(connection, self._attributes[number], reply))

    async def _indicate(self, connection: Connection, attribute: Characteristic[bytes], answer: Answer) -> None:
        async def send() -> None:
            await asyncio.sleep(answer.after_s)
            await self.device.indicate_subscriber(connection, attribute, answer.payload)
            for characteristic, payload in answer.also:
                await self._notify(Packet(self._ride.ride_s(), characteristic, payload))

        # On a lost link the confirmation would be awaited for 30 s; a peer that never confirms is its own fault.
        with suppress(TimeoutError):
            await connection.cancel_on_disconnection(send())


def _advertisement(sensor: SimulatedSensor) -> tuple[bytes, bytes]:
    """Advertising data and scan response, each at most 31 bytes; the name is in the latter, as is common."""
    kinds = AdvertisingData.Type
    uuids = b"".join(UUID(uuid).to_pdu_bytes() for uuid in sensor.service_uuids)
    # Surrogate escapes let a sensor have a name that is no UTF-8.
    name = sensor.name.encode("utf-8", "surrogateescape")
    named = (kinds.COMPLETE_LOCAL_NAME, name) if len(name) <= 29 else (kinds.SHORTENED_LOCAL_NAME, name[:29])
    connectable = bytes([0x06])  # general discoverable, no BR/EDR
    advertising = AdvertisingData(
        [(kinds.FLAGS, connectable), (kinds.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, uuids)]
    )
    return bytes(advertising), bytes(AdvertisingData([named]))


class _Strength:
    """A level for each address, and a few dB of flutter about it."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._chances: dict[str, random.Random] = {}
        self._levels_dbm: dict[str, int] = {}

    def rssi_dbm(self, address: str) -> int:
        if address not in self._chances:
            self._chances[address] = random.Random(f"{self._seed} {address}")
            self._levels_dbm[address] = self._chances[address].randint(-75, -50)
        return self._levels_dbm[address] + self._chances[address].randint(-3, 3)


class SimulatedRadio:
    """All sensors and one central on one virtual link; sensors are told apart by name."""

    def __init__(
        self,
        sensors: Sequence[SimulatedSensor],
        *,
        seed: int = 0,
        supervision_s: float = SUPERVISION_S,
        keep_log: bool = False,
    ) -> None:
        addresses = {CENTRAL_ADDRESS, *(sensor.address for sensor in sensors)}
        if len(addresses) <= len(sensors) or len({sensor.name for sensor in sensors}) < len(sensors):
            raise ValueError("simulated sensors need names and addresses of their own")
        self.ride = RideStart()
        self._sensors = sensors
        self._strength = _Strength(seed)
        self._supervision_s = supervision_s
        self._logs: dict[str, list[SentPacket]] = {s.name: [] for s in sensors} if keep_log else {}
        self._peripherals: dict[str, Peripheral] = {}
        self._stopped = False

    async def __aenter__(self) -> SimulatedRadio:
        self.link = VirtualLink(supervision_s=self._supervision_s, rssi_dbm=self._strength.rssi_dbm)
        self._central = device_on(self.link, "central", CENTRAL_ADDRESS)
        await self._central.power_on()
        self.backend: Backend = backend_on(self._central)
        for sensor in self._sensors:
            peripheral = self._peripheral(sensor)
            self._peripherals[sensor.name] = peripheral
            await peripheral.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    def begin_ride(self, at_s: float | None = None) -> None:
        """Ride time 0 is now, or at `at_s` of the loop's time."""
        self.ride.begin(asyncio.get_running_loop().time() if at_s is None else at_s)

    def any_connected(self) -> bool:
        """Whether somebody has connected to at least one sensor."""
        return any(peripheral.connected for peripheral in self._peripherals.values())

    def sent(self, name: str) -> int:
        return self._peripherals[name].sent

    def unsent(self, name: str) -> int:
        return self._peripherals[name].unsent

    def sent_log(self, name: str) -> list[SentPacket]:
        """Empty unless the radio was made with `keep_log`."""
        return self._logs.get(name, [])

    async def stop(self) -> None:
        """Every sensor falls silent, every link ends; may be called twice.

        Raises:
            Exception: the first that went wrong in a sensor's schedule; all sensors are stopped nevertheless.
        """
        if self._stopped:
            return
        self._stopped = True
        outcomes = await asyncio.gather(*(p.stop() for p in self._peripherals.values()), return_exceptions=True)
        await self._central.power_off()
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome

    def _peripheral(self, sensor: SimulatedSensor) -> Peripheral:
        async def change_link(up: bool) -> None:
            self.link.set_in_range(sensor.address, up)

        device = device_on(self.link, sensor.name, sensor.address)
        return Peripheral(sensor, device, self.ride, change_link, self._logs.get(sensor.name))
