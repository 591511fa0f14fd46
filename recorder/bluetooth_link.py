"""One connection to one sensor, from connecting to letting go; knows bleak, not when to try again. Never reused."""

from __future__ import annotations

import asyncio
import functools
from typing import Protocol

from analysis.rows import RowKind
from recorder.arrivals import MEASURING
from recorder.bluetooth_library import Backend, BleakClient, BleakError, BleakGATTCharacteristic, BLEDevice
from recorder.bounded import bounded
from recorder.control_point import ControlPoint
from recorder.host_clock import HostClock
from recorder.link_actions import Timings, Trouble
from recorder.link_failures import LinkFailed
from recorder.sensor_matching import SensorKind

REQUIRED: dict[SensorKind, tuple[str, ...]] = {
    "meter": ("2a63", "2ad2"),
    "cadence": ("2a5b", "2a63", "2ad2"),
    "temperature": ("2a6e",),
}
TRAINING_STATUS = "2ad3"
ALSO_RECORDED = (TRAINING_STATUS, "2ada")  # status of a trainer: its mode and load explain its power
BATTERY = "2a19"
CONTROL_POINT = "2a66"
TRAINER_CONTROL_POINT = "2ad9"
_RESPONSES = {CONTROL_POINT: 0x20, TRAINER_CONTROL_POINT: 0x80}
_POWER_SERVICE = "1818"
_BASE = "-0000-1000-8000-00805f9b34fb"
_PROBED = ("2a65", "2a5c", "2acc", "2a24", "2a29")  # never subscribed, so that a probe looks like no notification


def short_uuid(uuid: str) -> str | None:
    """`2a63` for a UUID of the Bluetooth base, None for a maker's own."""
    return uuid[4:8].lower() if uuid.lower().startswith("0000") and uuid.lower().endswith(_BASE) else None


class LinkListener(Protocol):
    def link_data(
        self, link: BluetoothLink, characteristic: str, payload: bytes, clock_ns: int, row_kind: RowKind
    ) -> None:
        """One payload, straight from the radio."""

    def link_down(self, link: BluetoothLink) -> None:
        """The system says that the link is gone, after `open` had succeeded."""

    def link_late_answer(self, link: BluetoothLink, characteristic: str, payload: bytes) -> None:
        """An indication that nobody waits for any more."""

    def link_fault(self, link: BluetoothLink, words: str) -> None:
        """A payload of this link was not taken; told once, all are counted in `callback_faults`."""


class BluetoothLink:
    def __init__(
        self,
        sensor: str,
        device: BLEDevice,
        listener: LinkListener,
        clock: HostClock,
        backend: Backend,
        timings: Timings,
    ) -> None:
        self.sensor = sensor
        self.address = device.address
        self.has_data = False
        self.callback_faults = 0
        self.values: dict[str, bytes] = {}  # what was read on this link
        self._system_path = str(device.details.get("path", "")) if isinstance(device.details, dict) else ""
        self._listener = listener
        self._clock = clock
        self._timings = timings
        self._open = False
        self._chars: dict[str, BleakGATTCharacteristic] = {}
        self._control_points: dict[str, ControlPoint] = {}
        self._switching_on = asyncio.Lock()  # a second asker must not write before the indications are on
        self._client = BleakClient(
            device,
            disconnected_callback=self._on_disconnect,
            timeout=timings.connect_s,
            backend=backend.client,
        )

    # -- making the link ---------------------------------------------------------------------------------------

    async def open(self) -> None:
        """Connect and look at the services.

        :raises LinkFailed: where they are unreadable; else whatever the Bluetooth libraries raise.
        """
        # A guard of our own: the library's time-out does not cover all of its waiting.
        await bounded(self._client.connect(), self._timings.connect_s + 3)
        if not self._client.is_connected:
            raise LinkFailed(Trouble.DROPPED)
        # Set only now: the disconnect callback can fire inside `connect`, which then tries again and succeeds.
        self._open = True
        self._chars = self._characteristics()

    def _characteristics(self) -> dict[str, BleakGATTCharacteristic]:
        found: dict[str, BleakGATTCharacteristic] = {}
        try:
            services = sorted(self._client.services, key=lambda s: (short_uuid(s.uuid) != _POWER_SERVICE, s.handle))
        except BleakError as error:
            raise LinkFailed(Trouble.UNREADABLE) from error
        for service in services:
            for char in sorted(service.characteristics, key=lambda c: c.handle):
                short = short_uuid(char.uuid)
                if short is not None:
                    found.setdefault(short, char)  # 2a5d stands in two services: that of the power service counts
        return found

    def has(self, characteristic: str) -> bool:
        return characteristic in self._chars

    @property
    def is_up(self) -> bool:
        return self._open and self._client.is_connected

    def require(self, kind: SensorKind) -> None:
        """:raises LinkFailed: where what makes such a sensor is missing."""
        if not any(map(self.has, REQUIRED[kind])):
            raise LinkFailed(Trouble.UNREADABLE, "no " + " or ".join(REQUIRED[kind]))

    def goes_through(self, adapter_path: str) -> bool:
        return self._system_path.startswith(adapter_path + "/")

    async def subscribe(self, kind: SensorKind) -> list[str]:
        """All measurements that are there; returns the lesser ones that could not be subscribed.

        :raises LinkFailed: where the link fell meanwhile; else whatever the Bluetooth libraries raise.
        """
        refused = []
        for short in (*MEASURING, *ALSO_RECORDED):
            if not self._notifies(short):
                continue
            try:
                if short == TRAINING_STATUS and "read" in self._chars[short].properties:
                    await self.read(short)  # before it is subscribed, since it may not change all ride long
                await self._start(short)
            except BleakError:
                if short in REQUIRED[kind] or not self.is_up:
                    raise
                refused.append(short)
        if not self.is_up:
            raise LinkFailed(Trouble.DROPPED)
        return refused

    async def subscribe_battery(self) -> None:
        """After the last read of it: reading a subscribed value fires its notification as well."""
        if self._notifies(BATTERY):
            await self._start(BATTERY)

    def _notifies(self, short: str) -> bool:
        return short in self._chars and not {"notify", "indicate"}.isdisjoint(self._chars[short].properties)

    async def _start(self, short: str) -> None:
        row_kind: RowKind = "notification" if "notify" in self._chars[short].properties else "indication"
        callback = functools.partial(self._on_notify, short, row_kind)
        # The other way of notifying holds 278 messages and then fails without a word.
        start = self._client.start_notify(self._chars[short], callback, bluez={"use_start_notify": True})
        await bounded(start, self._timings.subscribe_s)

    # -- while it lasts ----------------------------------------------------------------------------------------

    def _on_notify(self, short: str, row_kind: RowKind, _: BleakGATTCharacteristic, data: bytearray) -> None:
        clock_ns = self._clock.now_ns()
        try:
            payload = bytes(data)
            self._listener.link_data(self, short, payload, clock_ns, row_kind)
            if short in self._control_points:
                self._control_points[short].indicated(payload)
        except Exception as fault:  # noqa: BLE001 - whatever went wrong, the next payload must come through
            self.callback_faults += 1
            if self.callback_faults == 1:
                self._listener.link_fault(self, f"{type(fault).__name__}: {fault}")

    def _on_disconnect(self, _: BleakClient) -> None:
        if not self._open:
            return
        self._open = False
        for control_point in self._control_points.values():
            control_point.dropped(LinkFailed(Trouble.DROPPED))
        self._listener.link_down(self)

    async def read_unrecorded(self, short: str) -> bytes:
        """For a device that may turn out to be another. :raises: whatever the Bluetooth libraries raise."""
        return bytes(await bounded(self._client.read_gatt_char(self._chars[short]), self._timings.read_s))

    async def read(self, short: str) -> bytes:
        """Read, record, remember. :raises: whatever the Bluetooth libraries raise."""
        payload = await self.read_unrecorded(short)
        self._listener.link_data(self, short, payload, self._clock.now_ns(), "read")
        self.values[short] = payload
        return payload

    async def probe(self) -> bool:
        """Whether the sensor answers at all; True also where there is nothing to ask."""
        short = next((s for s in _PROBED if self.has(s)), None)
        if short is None:
            return self.is_up
        try:
            await self.read(short)
        except Exception:  # noqa: BLE001 - no answer of any kind is the answer
            return False
        return True

    async def control_point(self, short: str = CONTROL_POINT) -> ControlPoint | None:
        """With its indications switched on, once per link; None where the sensor has none."""
        async with self._switching_on:
            if short not in self._control_points and self._notifies(short):
                write = functools.partial(self._write_control_point, short)
                late = functools.partial(self._listener.link_late_answer, self, short)
                control_point = ControlPoint(write, late, _RESPONSES[short])
                await self._start(short)
                self._control_points[short] = control_point
            return self._control_points.get(short)

    async def _write_control_point(self, short: str, request: bytes) -> None:
        self._listener.link_data(self, short, request, self._clock.now_ns(), "write")
        write = self._client.write_gatt_char(self._chars[short], request, response=True)
        await bounded(write, self._timings.read_s)

    # -- letting go --------------------------------------------------------------------------------------------

    async def close(self, seconds: float, forget: bool = False) -> None:
        """Disconnect, also where the link is gone already: else its subscriptions live on in the Bluetooth service.

        `forget` makes the service drop what it knows of the device. Bounded, never raises.
        """
        self._open = False
        try:
            await bounded(self._client.disconnect(), seconds)
            if forget:
                await bounded(self._client.unpair(), seconds)
        except Exception:  # noqa: BLE001 - there is nothing left to do about a link that does not even close
            return
