"""A simulated radio whose Bluetooth service goes wrong as a real one does; knows the errors, not who is to see them.

It stands between the recorder's library and the simulated sensors, so that a service can crash, hang or refuse in
virtual time. What each trouble looks like to a program was measured on a fake Bluetooth service on a real bus.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import weakref
from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from recorder.bluetooth_library import (
    Backend,
    BleakDBusError,
    BleakGATTCharacteristic,
    BleakGATTServiceCollection,
    BLEDevice,
    NotifyCallback,
    ServiceListener,
)
from recorder.bluetooth_service_watch import NO_ADAPTER, NO_BUS
from simulated_sensors.bleak_backend import SimulatedClient, SimulatedScanner
from simulated_sensors.peripheral import CENTRAL_ADDRESS, SimulatedRadio

ConnectTrouble = Literal["busy", "abort", "hang"]
ADAPTER, DONGLE = "/org/bluez/hci0", "/org/bluez/hci1"
WATCH_S = 0.1  # after which a watch on the bus tells that the service is gone
_ERROR = "org.bluez.Error."
_POWER_SERVICE = "00001818-0000-1000-8000-00805f9b34fb"


@dataclass
class Service:
    """What is wrong with the service at this moment."""

    lost: str | None = None
    awake: asyncio.Event = field(default_factory=asyncio.Event)
    scan_busy: bool = False
    max_links: int | None = None
    connects: dict[str, deque[ConnectTrouble]] = field(default_factory=lambda: defaultdict(deque))
    copies: dict[str, int] = field(default_factory=lambda: defaultdict(lambda: 1))
    adapters: dict[str, str] = field(default_factory=lambda: defaultdict(lambda: ADAPTER))
    mute: set[str] = field(default_factory=set)
    stale: set[str] = field(default_factory=set)  # their services lack the measurement until they are forgotten
    forgotten: list[str] = field(default_factory=list)
    connect_calls: int = 0
    clients: weakref.WeakSet[TroubledClient] = field(default_factory=weakref.WeakSet)
    on_copy: Callable[[str, str, bytes], None] = field(default=lambda address, characteristic, payload: None)

    def __post_init__(self) -> None:
        self.awake.set()

    async def served(self) -> None:
        """Returns once the service has taken a request.

        :raises BleakDBusError: where there is none.
        """
        await self.awake.wait()
        if self.lost is not None:
            raise BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", [self.lost])

    @property
    def silent(self) -> bool:
        return self.lost is not None or not self.awake.is_set()


class TroubledScanner(SimulatedScanner):
    service: Service

    async def start(self) -> None:
        await self.service.served()
        if self.service.scan_busy:
            raise BleakDBusError(_ERROR + "InProgress", ["Operation already in progress"])
        await super().start()

    def create_or_update_device(self, key: str, address: str, *more: Any) -> BLEDevice:
        name, _, advertisement = more
        path = f"{self.service.adapters[address]}/dev_{address.replace(':', '_')}"
        return super().create_or_update_device(key, address, name, {"path": path}, advertisement)

    def _on_advertisement(self, advertisement: Any) -> None:
        if not self.service.silent:
            super()._on_advertisement(advertisement)


class TroubledClient(SimulatedClient):
    service: Service
    links: Callable[[], int]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._held: list[tuple[NotifyCallback, bytearray]] = []
        self._unheard = False
        self.service.clients.add(self)

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        service = self.service
        service.connect_calls += 1
        await service.served()
        script = service.connects[self.address]
        match script.popleft() if script else None:
            case "busy":
                raise BleakDBusError(_ERROR + "InProgress", ["Operation already in progress"])
            case "abort":
                await asyncio.sleep(0.2)
                raise BleakDBusError(_ERROR + "Failed", ["le-connection-abort-by-local"])
            case "hang":
                await asyncio.sleep(self._timeout)
                raise TimeoutError
        if service.max_links is not None and type(self).links() >= service.max_links:
            # A full controller refuses without a word, and the library waits for its own time-out.
            await asyncio.sleep(self._timeout)
            raise TimeoutError
        await super().connect(pair, **kwargs)
        if self.address in service.stale and self.services is not None:
            self.services = _without_power(self.services)

    async def disconnect(self) -> None:
        # The request waits in the bus and is served in the end, whether its caller still waits or not.
        serving = asyncio.ensure_future(self._disconnect())
        serving.add_done_callback(lambda done: done.cancelled() or done.exception())
        await asyncio.shield(serving)

    async def _disconnect(self) -> None:
        self._held.clear()
        await self.service.served()
        await super().disconnect()

    async def unpair(self) -> None:
        await self.service.served()
        self.service.forgotten.append(self.address)
        self.service.stale.discard(self.address)

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **kwargs: Any
    ) -> None:
        deliver = functools.partial(self._deliver, characteristic.uuid[4:8], callback)
        await self.service.served()
        await super().start_notify(characteristic, deliver, **kwargs)

    def _deliver(self, characteristic: str, callback: NotifyCallback, payload: bytearray) -> None:
        if self.service.lost is not None or self.address in self.service.mute:
            return
        for copy in range(self.service.copies[self.address]):
            if copy:
                self.service.on_copy(self.address, characteristic, bytes(payload))
            if self.service.awake.is_set():
                callback(bytearray(payload))
            else:
                self._held.append((callback, bytearray(payload)))

    def deliver_held(self) -> None:
        held, self._held = self._held, []
        for callback, payload in held:
            callback(payload)

    async def _request(self, request: Any) -> Any:
        try:
            await self.service.served()
        except BaseException:
            request.close()
            raise
        return await super()._request(request)

    async def cut(self) -> None:
        self._unheard = True
        if self._connection is not None:
            await self.central.disconnect(self._connection)

    def _on_disconnection(self, reason: int) -> None:
        # Of a service that is gone the library hears nothing, and goes on calling its devices connected.
        if self.service.lost is None and not self._unheard:
            super()._on_disconnection(reason)

    def lose(self) -> None:
        """The library hears that the link is gone."""
        if self.is_connected:
            super()._on_disconnection(0)


def _without_power(services: BleakGATTServiceCollection) -> BleakGATTServiceCollection:
    left = BleakGATTServiceCollection()
    for service in services:
        if service.uuid != _POWER_SERVICE:
            left.add_service(service)
            for characteristic in service.characteristics:
                left.characteristics[characteristic.handle] = characteristic
    return left


class TroubledRadio:
    """A simulated radio, and the service through which it is reached. All of it belongs to one event loop."""

    def __init__(self, radio: SimulatedRadio) -> None:
        self.radio = radio
        self.service = Service()
        self._watchers: list[ServiceListener] = []
        client, scanner = radio.backend.client, radio.backend.scanner
        assert client is not None
        assert scanner is not None
        bound = {"central": vars(client)["central"], "service": self.service, "__module__": __name__}
        self.backend = Backend(
            client=type("BoundClient", (TroubledClient,), {**bound, "links": staticmethod(self.links)}),
            scanner=type("BoundScanner", (TroubledScanner,), bound),
            watch=self._watch,
        )

    def links(self) -> int:
        """Links that the adapter holds."""
        adapter = self.radio.link.find_le_controller(_central_address())
        return 0 if adapter is None else len(adapter.le_connections)

    async def _watch(self, listener: ServiceListener) -> None:
        self._watchers.append(listener)
        try:
            await asyncio.Event().wait()
        finally:
            self._watchers.remove(listener)

    async def service_lost(self, words: str, seconds: float) -> None:
        """The service crashes, its adapter is off or gone, or its bus dies, and all is back after `seconds`."""
        if self.service.lost is not None:
            return
        self.service.lost = words
        self.service.awake.set()
        clients = list(self.service.clients)
        await self._cut_links()
        await asyncio.sleep(WATCH_S)
        if words == NO_BUS:
            for client in clients:
                client.lose()
        self._tell(words)
        await asyncio.sleep(max(seconds - WATCH_S, 0.0))
        await self._cut_links()  # also one that was being made when it went
        self.service.lost = None
        self._tell(None)

    async def _cut_links(self) -> None:
        central = vars(self.backend.client)["central"]
        for connection in list(central.device.connections.values()):
            await central.disconnect(connection)

    async def dongle_pulled_out(self) -> None:
        """What went through it is cut off, and the library hears nothing; all is sought through the adapter left."""
        addresses = {address for address, path in self.service.adapters.items() if path == DONGLE}
        clients = [client for client in self.service.clients if client.address in addresses]
        for client in clients:
            await client.cut()
        await asyncio.sleep(WATCH_S)
        self.service.adapters.clear()
        for listener in self._watchers:
            listener.adapter_lost(DONGLE, NO_ADAPTER)

    def _tell(self, words: str | None) -> None:
        for listener in self._watchers:
            listener.service_changed(words)

    async def service_hangs(self, seconds: float, told_after_s: float = 2.0) -> None:
        """It takes requests and notifications, and serves them all once it wakes."""
        if self.service.silent:
            return
        self.service.awake.clear()
        await asyncio.sleep(min(seconds, told_after_s))
        told = seconds > told_after_s and not self.service.awake.is_set()
        if told:
            for listener in self._watchers:
                listener.service_hangs(True)
        await asyncio.sleep(max(seconds - told_after_s, 0.0))
        self.service.awake.set()
        for client in list(self.service.clients):
            client.deliver_held()
        for listener in self._watchers if told and self.service.lost is None else ():
            listener.service_hangs(False)

    @contextlib.contextmanager
    def scan_stuck(self) -> Iterator[None]:
        self.service.scan_busy = True
        try:
            yield
        finally:
            self.service.scan_busy = False


def _central_address() -> Any:
    from bumble.hci import Address

    return Address(CENTRAL_ADDRESS)
