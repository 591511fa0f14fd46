"""The recorder's Bluetooth library on a simulated central; behaves and fails as the platforms' own backends do."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Coroutine
from contextlib import AsyncExitStack
from typing import Any, TypeVar, cast

from bumble.att import ATT_Error
from bumble.core import UUID, AdvertisingData
from bumble.core import TimeoutError as AttTimeout
from bumble.device import Advertisement, Connection, Device, Peer
from bumble.gatt_client import CharacteristicProxy

from recorder.bluetooth_library import (
    AdvertisementData,
    Backend,
    BaseBleakClient,
    BaseBleakScanner,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTCharacteristic,
    BleakGATTDescriptor,
    BleakGATTProtocolError,
    BleakGATTService,
    BleakGATTServiceCollection,
    BLEDevice,
    NotifyCallback,
    SizedBuffer,
    gatt_char_props_to_strs,
    normalize_uuid_str,
)
from simulated_sensors.central import Central, unbroken

_T = TypeVar("_T")
_log = logging.getLogger(__name__)
_MTU = 247  # what phones and laptops commonly ask for; without asking it stays 23 and the server cuts its values


def _local_name(data: AdvertisingData) -> str | None:
    for kind in (AdvertisingData.Type.COMPLETE_LOCAL_NAME, AdvertisingData.Type.SHORTENED_LOCAL_NAME):
        # Raw, since a name that is no UTF-8 would raise.
        for name in data.get_all(kind, raw=True):
            return name.decode("utf-8", "replace")
    return None


def _service_uuids(data: AdvertisingData) -> list[str]:
    kinds = (
        AdvertisingData.Type.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
        AdvertisingData.Type.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    )
    lists = [raw for kind in kinds for raw in data.get_all(kind, raw=True)]
    return [_uuid(UUID.from_bytes(raw[i : i + 2])) for raw in lists for i in range(0, len(raw) - 1, 2)]


def _uuid(uuid: UUID) -> str:
    return normalize_uuid_str(uuid.to_hex_str("-"))


class SimulatedScanner(BaseBleakScanner):
    central: Central

    def __init__(self, detection_callback: Any, service_uuids: list[str] | None, _mode: str, **_kwargs: Any) -> None:
        super().__init__(detection_callback, service_uuids)
        self._running = AsyncExitStack()

    async def start(self) -> None:
        self.seen_devices = {}
        self.central.device.on(Device.EVENT_ADVERTISEMENT, self._on_advertisement)
        await self._running.enter_async_context(self.central.scanning())

    async def stop(self) -> None:
        if self._on_advertisement in self.central.device.listeners(Device.EVENT_ADVERTISEMENT):
            self.central.device.remove_listener(Device.EVENT_ADVERTISEMENT, self._on_advertisement)
        await self._running.aclose()

    def _on_advertisement(self, advertisement: Advertisement) -> None:
        address = str(advertisement.address)
        found = AdvertisementData(
            local_name=_local_name(advertisement.data),
            manufacturer_data={},
            service_data={},
            service_uuids=_service_uuids(advertisement.data),
            tx_power=None,
            rssi=advertisement.rssi,
            platform_data=(),
        )
        if self.is_allowed_uuid(found.service_uuids):
            device = self.create_or_update_device(address, address, found.local_name, None, found)
            self.call_detection_callbacks(device, found)


class SimulatedClient(BaseBleakClient):
    central: Central

    def __init__(self, address_or_ble_device: BLEDevice | str, **kwargs: Any) -> None:
        super().__init__(address_or_ble_device, **kwargs)
        self._known = address_or_ble_device if isinstance(address_or_ble_device, BLEDevice) else None
        self._connection: Connection | None = None
        self._subscribers: dict[int, Any] = {}

    @property
    def name(self) -> str:
        return (self._known and self._known.name) or self.address.replace(":", "-")

    @property
    def mtu_size(self) -> int:
        return self._connection.att_mtu if self._connection else 23

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **_kwargs: Any) -> None:
        if self.is_connected:
            raise BleakError("Client is already connected")
        if pair:
            _log.warning("simulated sensors do not pair")
        try:
            async with asyncio.timeout(self._timeout):
                self._adopt(await self.central.connect(self.address))
                self.services = await self._request(self._discover())
        except BaseException as error:  # re-raised: whatever ends it, a half-made link must not stay
            await self.disconnect()
            if isinstance(error, TimeoutError) and self._known is None:
                raise BleakDeviceNotFoundError(self.address, f"{self.address} was not found") from None
            raise

    def _adopt(self, connection: Connection) -> None:
        self._connection = connection
        self._subscribers = {}
        connection.on(Connection.EVENT_DISCONNECTION, self._on_disconnection)

    def _on_disconnection(self, _reason: int) -> None:
        self._connection = None
        self.services = None
        if self._disconnected_callback:
            self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connection is not None:
            await unbroken(self.central.disconnect(self._connection))

    async def pair(self, *_args: Any, **_kwargs: Any) -> None:
        raise NotImplementedError("simulated sensors do not pair")

    async def unpair(self) -> None:
        raise NotImplementedError("simulated sensors do not pair")

    async def _discover(self) -> BleakGATTServiceCollection:
        peer = Peer(self._linked())
        await peer.request_mtu(_MTU)
        found = BleakGATTServiceCollection()
        for service in await peer.discover_services():
            bleak_service = BleakGATTService(service, service.handle, _uuid(service.uuid))
            found.add_service(bleak_service)
            for characteristic in await peer.discover_characteristics(service=service):
                found.add_characteristic(self._described(characteristic, bleak_service))
                for descriptor in await peer.discover_descriptors(characteristic):
                    parent = found.characteristics[characteristic.handle]
                    found.add_descriptor(
                        BleakGATTDescriptor(descriptor, descriptor.handle, _uuid(descriptor.type), parent)
                    )
        return found

    def _described(
        self, characteristic: CharacteristicProxy[bytes], service: BleakGATTService
    ) -> BleakGATTCharacteristic:
        properties = sorted(gatt_char_props_to_strs(int(characteristic.properties)))
        return BleakGATTCharacteristic(
            characteristic,
            characteristic.handle,
            _uuid(characteristic.uuid),
            properties,
            lambda: self.mtu_size - 3,
            service,
        )

    def _linked(self) -> Connection:
        if self._connection is None:
            raise BleakError("Not connected")
        return self._connection

    async def _request(self, request: Coroutine[Any, Any, _T]) -> _T:
        if self._connection is None:
            request.close()
            raise BleakError("Not connected")
        try:
            return await unbroken(request)
        except ATT_Error as error:
            raise BleakGATTProtocolError(error.error_code) from error
        except AttTimeout as error:
            raise BleakError("The sensor did not answer an ATT request") from error
        except asyncio.CancelledError:
            # Bumble cancels what is under way when the link goes; only a cancellation of ours shows in the count.
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            raise BleakError("Not connected") from None

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **_kwargs: Any
    ) -> bytearray:
        return bytearray(await self._request(self._peer_read(characteristic.handle)))

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **_kwargs: Any
    ) -> bytearray:
        return bytearray(await self._request(self._peer_read(descriptor.handle)))

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool
    ) -> None:
        await self._request(self._peer_write(characteristic.handle, bytes(data), response))

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
        await self._request(self._peer_write(descriptor.handle, bytes(data), True))

    async def _peer_read(self, handle: int) -> bytes:
        return await self._linked().gatt_client.read_value(handle)

    async def _peer_write(self, handle: int, data: bytes, response: bool) -> None:
        await self._linked().gatt_client.write_value(handle, data, with_response=response)

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **_kwargs: Any
    ) -> None:
        def on_value(value: bytes) -> None:
            try:
                callback(bytearray(value))
            except Exception:  # noqa: BLE001  # as the platforms do; and Bumble would leave an indication unconfirmed
                _log.exception("a notification callback failed")

        # At most one, as on the platforms: a second callback replaces the first.
        await self.stop_notify(characteristic)
        self._subscribers[characteristic.handle] = on_value
        await self._request(characteristic.obj.subscribe(on_value))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        subscriber = self._subscribers.pop(characteristic.handle, None)
        if subscriber is not None:
            await self._request(characteristic.obj.unsubscribe(subscriber))


def backend_on(device: Device) -> Backend:
    """`device` must be powered on. The library names a backend by its class, hence classes and no partials."""
    bound = {"central": Central(device), "__module__": __name__}
    return Backend(
        client=cast(type[BaseBleakClient], type("BoundClient", (SimulatedClient,), bound)),
        scanner=cast(type[BaseBleakScanner], type("BoundScanner", (SimulatedScanner,), dict(bound))),
    )
