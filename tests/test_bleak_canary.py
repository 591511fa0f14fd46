"""What the recorder and the simulated radio assume of the installed bleak."""

from __future__ import annotations

import asyncio
import inspect
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from recorder import bluetooth_library
from recorder.bluetooth_library import (
    AdvertisementData,
    Backend,
    BaseBleakClient,
    BaseBleakScanner,
    BleakAdapter,
    BleakBluetoothNotAvailableError,
    BleakCharacteristicNotFoundError,
    BleakClient,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTCharacteristic,
    BleakGATTProtocolError,
    BleakGATTService,
    BleakGATTServiceCollection,
    BleakScanner,
    BLEDevice,
    normalize_uuid_16,
)

ROOT = Path(__file__).resolve().parents[1]


class NotedScanner(BaseBleakScanner):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.made_with = (args, kwargs)
        super().__init__(args[0], args[1])

    async def start(self) -> None:
        self.seen_devices = {}
        found = AdvertisementData("Birch", {}, {}, [normalize_uuid_16(0x1818)], None, -60, ())
        device = self.create_or_update_device("key", "F0:00:00:00:00:02", "Birch", None, found)
        if self.is_allowed_uuid(found.service_uuids):
            self.call_detection_callbacks(device, found)

    async def stop(self) -> None: ...


class NotedClient(BaseBleakClient):
    """Keeps what it was made and called with."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.made_with = (args, kwargs)
        super().__init__(*args, **kwargs)
        self.linked = False
        self.calls: list[tuple[Any, ...]] = []
        self.on_value: Any = None

    @property
    def name(self) -> str:
        return "Birch"

    @property
    def mtu_size(self) -> int:
        return 247

    @property
    def is_connected(self) -> bool:
        return self.linked

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        self.calls.append(("connect", pair, kwargs))
        self.linked = True
        self.services = BleakGATTServiceCollection()
        service = BleakGATTService(None, 1, normalize_uuid_16(0x1818))
        self.services.add_service(service)
        self.services.add_characteristic(
            BleakGATTCharacteristic(None, 3, normalize_uuid_16(0x2A63), ["notify"], lambda: 20, service)
        )

    async def disconnect(self) -> None:
        self.linked = False
        if self._disconnected_callback:
            self._disconnected_callback()

    async def pair(self, *args: Any, **kwargs: Any) -> None: ...
    async def unpair(self) -> None: ...

    async def read_gatt_char(self, characteristic: Any, *, use_cached: bool = False, **kwargs: Any) -> bytearray:
        self.calls.append(("read", characteristic, use_cached, kwargs))
        return bytearray(b"r")

    async def read_gatt_descriptor(self, descriptor: Any, *, use_cached: bool = False, **kwargs: Any) -> bytearray:
        return bytearray()

    async def write_gatt_char(self, characteristic: Any, data: Any, response: bool) -> None:
        self.calls.append(("write", characteristic, bytes(data), response))

    async def write_gatt_descriptor(self, descriptor: Any, data: Any) -> None: ...

    async def start_notify(self, characteristic: Any, callback: Any, **kwargs: Any) -> None:
        self.on_value = callback
        self.calls.append(("notify", characteristic, kwargs))

    async def stop_notify(self, characteristic: Any) -> None:
        self.calls.append(("stop", characteristic))


def inside(front: BleakClient | BleakScanner) -> Any:
    return front._backend


def test_version_is_within_what_the_project_declares() -> None:
    from importlib.metadata import version

    major, minor = map(int, version("bleak").split(".")[:2])
    assert (3, 1) <= (major, minor) < (4, 0)


def test_a_backend_must_supply_just_these() -> None:
    assert BaseBleakScanner.__abstractmethods__ == {"start", "stop"}
    required = "mtu_size is_connected connect disconnect pair unpair read_gatt_char read_gatt_descriptor"
    required += " write_gatt_char write_gatt_descriptor start_notify stop_notify"
    assert BaseBleakClient.__abstractmethods__ == set(required.split())


async def test_how_a_scanner_is_made_and_reports() -> None:
    seen: list[tuple[BLEDevice, AdvertisementData]] = []
    scanner = BleakScanner(lambda d, a: seen.append((d, a)), [normalize_uuid_16(0x1818)], backend=NotedScanner)
    args, kwargs = inside(scanner).made_with
    assert args[1:] == ([normalize_uuid_16(0x1818)], "active")
    assert kwargs == {"bluez": {}, "cb": {}}
    async with scanner:
        ((device, advertisement),) = seen
    assert (device.address, device.name) == ("F0:00:00:00:00:02", "Birch")
    assert advertisement.rssi == -60
    found = await BleakScanner.discover(0, return_adv=True, backend=NotedScanner)
    assert list(found) == ["F0:00:00:00:00:02"]


async def test_how_a_client_is_made_and_called() -> None:
    lost: list[BleakClient] = []
    got: list[tuple[BleakGATTCharacteristic, bytearray]] = []
    device = BLEDevice("F0:00:00:00:00:02", "Birch", None)
    client = BleakClient(device, lost.append, timeout=12, backend=NotedClient)
    args, kwargs = inside(client).made_with
    assert args == (device,)
    assert set(kwargs) == {"disconnected_callback", "services", "timeout", "bluez", "winrt"}
    assert kwargs["timeout"] == 12
    await client.connect()
    characteristic = client.services.get_characteristic(normalize_uuid_16(0x2A63))
    assert characteristic is not None
    await client.start_notify(characteristic, lambda c, data: got.append((c, data)), bluez={"use_start_notify": True})
    inside(client).on_value(bytearray(b"v"))
    assert got == [(characteristic, bytearray(b"v"))]
    assert await client.read_gatt_char(3) == b"r"
    await client.write_gatt_char(characteristic, b"\x0c", response=True)
    await client.stop_notify(characteristic)
    await client.disconnect()
    assert lost == [client]
    assert inside(client).calls == [
        ("connect", False, {}),
        ("notify", characteristic, {"bluez": {"use_start_notify": True}, "cb": {}}),
        ("read", characteristic, False, {}),
        ("write", characteristic, b"\x0c", True),
        ("stop", characteristic),
    ]


async def test_errors_before_and_without() -> None:
    client = BleakClient("F0:00:00:00:00:02", backend=NotedClient)
    with pytest.raises(BleakError):
        _ = client.services
    await client.connect()
    with pytest.raises(BleakCharacteristicNotFoundError):
        await client.read_gatt_char(normalize_uuid_16(0x2A66))


def test_error_classes() -> None:
    for error in (
        BleakBluetoothNotAvailableError,
        BleakCharacteristicNotFoundError,
        BleakDBusError,
        BleakDeviceNotFoundError,
        BleakGATTProtocolError,
    ):
        assert issubclass(error, BleakError)
    assert [BleakGATTProtocolError(code).code for code in (0xFD, 0xFE, 0x80)] == [0xFD, 0xFE, 0x80]


def test_devices_connected_already_can_be_asked_for() -> None:
    assert list(inspect.signature(BleakAdapter.get).parameters) == ["bluez", "backend"]
    assert list(inspect.signature(BleakAdapter.get_connected_devices).parameters) == ["self", "service_uuids"]
    assert asyncio.iscoroutinefunction(BleakAdapter.get_connected_devices)


def test_every_exported_name_exists() -> None:
    assert [name for name in bluetooth_library.__all__ if not hasattr(bluetooth_library, name)] == []
    assert Backend() == Backend(client=None, scanner=None)


def test_the_seam_does_not_load_the_libraries() -> None:
    code = "import sys, recorder.source; print(sorted({'bleak', 'dbus_fast', 'bumble'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(sys.platform != "linux", reason="the message bus is Linux's")
def test_message_bus_as_the_watch_on_the_bluetooth_service_uses_it() -> None:
    from recorder.bluetooth_library import BusType, Message, MessageBus, MessageType

    assert {"bus_type", "negotiate_unix_fd", "auth"} <= set(inspect.signature(MessageBus.__init__).parameters)
    assert {"connect", "call", "disconnect", "add_message_handler"} <= set(dir(MessageBus))
    assert BusType.SYSTEM.name == "SYSTEM"
    assert MessageType.SIGNAL.name == "SIGNAL"
    bus = "org.freedesktop.DBus"
    message = Message(
        destination=bus, path="/", interface=bus, member="GetNameOwner", signature="s", body=["org.bluez"]
    )
    assert (message.member, message.body) == ("GetNameOwner", ["org.bluez"])
