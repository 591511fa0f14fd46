"""The one scanner of the process: what advertises, what is connected already, and the device object of each."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from recorder.bluetooth_library import (
    AdvertisementData,
    Backend,
    BleakAdapter,
    BleakScanner,
    BLEDevice,
)
from recorder.bluetooth_link import short_uuid
from recorder.bounded import bounded
from recorder.host_clock import HostClock
from recorder.sensor_matching import SensorMatcher

SERVICES = ("1818", "1816", "1826", "181a")
NO_RSSI = -127  # the library's word for "this was no advertisement but some other change of the device"
_PATIENCE_S = 5.0
_DISTRUST_S = 15.0


@dataclass(frozen=True)
class Sighting:
    device: BLEDevice
    name: str | None
    rssi_dbm: int | None


class SensorFinder:
    def __init__(self, matcher: SensorMatcher, clock: HostClock, backend: Backend) -> None:
        self._matcher = matcher
        self._clock = clock
        self._backend = backend
        self._scanner: BleakScanner | None = None
        self._sightings: dict[str, Sighting] = {}
        self._tried_s: dict[str, float] = {}

    async def start(self, linked: Collection[str]) -> None:
        """Scan; before that, see which wanted devices the system holds already, since those do not advertise.

        `linked`: addresses of our own links. :raises: whatever the Bluetooth libraries raise.
        """
        await self._see_connected(linked)
        scanner = BleakScanner(self._on_advertisement, backend=self._backend.scanner)
        await bounded(scanner.start(), _PATIENCE_S)
        self._scanner = scanner

    async def stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is None:
            return
        try:
            await bounded(scanner.stop(), _PATIENCE_S)
        except Exception:  # noqa: BLE001 - a scan that does not stop ends with the service or at the next start
            return

    def take(self, address: str) -> Sighting | None:
        """The device to connect to; its sighting is used up."""
        self._matcher.used(address)
        return self._sightings.pop(address.upper(), None)

    def linked(self, address: str) -> None:
        """The link was sound: should the system restore it by itself later, it is taken over at once."""
        self._tried_s.pop(address.upper(), None)

    def distrust(self, address: str) -> None:
        """Do not take over a link to it for a while: the library goes on calling it connected when it is not."""
        self._tried_s[address.upper()] = self._clock.now_ns() / 1e9

    def _on_advertisement(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        now_s = self._clock.now_ns() / 1e9
        if advertisement.rssi <= NO_RSSI:
            return
        services = {short_uuid(u) for u in advertisement.service_uuids}
        self._see(device, advertisement.local_name or device.name, services, advertisement.rssi, now_s)

    def _see(
        self, device: BLEDevice, name: str | None, services: Collection[str | None], rssi: int | None, now_s: float
    ) -> None:
        if self._matcher.observe(device.address, name, not set(SERVICES).isdisjoint(services), now_s):
            self._sightings[device.address.upper()] = Sighting(device, name, rssi)

    async def _see_connected(self, linked: Collection[str]) -> None:
        now_s = self._clock.now_ns() / 1e9
        for device in await connected_devices(self._backend):
            address = device.address.upper()
            if address not in linked and now_s - self._tried_s.get(address, -_DISTRUST_S) >= _DISTRUST_S:
                self.distrust(address)
                self._see(device, device.name, SERVICES, None, now_s)


async def connected_devices(backend: Backend) -> list[BLEDevice]:
    """Sensors to which the system holds a link, for instance one left by a recorder that was killed."""
    if backend.scanner is not None:
        return []  # a simulated radio starts without links
    try:
        adapter = await bounded(BleakAdapter.get(), _PATIENCE_S)
        return await bounded(adapter.get_connected_devices(list(SERVICES)), _PATIENCE_S)
    except NotImplementedError:
        return []
