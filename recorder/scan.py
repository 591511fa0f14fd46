"""What is in range: one look around for sensors, and a bench file to start from."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass

from analysis.safe_text import safe_text
from recorder.bluetooth_availability import require_bluetooth
from recorder.bluetooth_library import AdvertisementData, Backend, BleakError, BleakScanner, BLEDevice
from recorder.bluetooth_link import short_uuid
from recorder.bounded import bounded
from recorder.errors import NoBluetooth
from recorder.sensor_finder import NO_RSSI, SERVICES, connected_devices
from recorder.sensor_matching import SensorKind

_KINDS: tuple[tuple[str, SensorKind], ...] = (
    ("1818", "meter"),
    ("1826", "meter"),
    ("1816", "cadence"),
    ("181a", "temperature"),
)
_PATIENCE_S = 5.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A sensor in range. `services` are short UUIDs; `rssi_dbm` is the strongest heard, None where connected."""

    address: str
    name: str | None
    services: tuple[str, ...]
    rssi_dbm: int | None
    kind: SensorKind | None
    connected: bool = False


class _Sightings:
    """Gathers advertisements; later ones add what earlier ones lacked."""

    def __init__(self) -> None:
        self.by_address: dict[str, Seen] = {}

    def advertised(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi <= NO_RSSI:
            return
        services = {s for s in map(short_uuid, advertisement.service_uuids) if s is not None}
        self._add(device.address, advertisement.local_name or device.name, services, advertisement.rssi)

    def connected(self, device: BLEDevice) -> None:
        self._add(device.address, device.name, set(), None, connected=True)

    def _add(
        self, address: str, name: str | None, services: set[str], rssi_dbm: int | None, connected: bool = False
    ) -> None:
        key = address.upper()
        before = self.by_address.get(key)
        if before is not None:
            services = services | set(before.services)
            heard = [r for r in (rssi_dbm, before.rssi_dbm) if r is not None]
            rssi_dbm = max(heard, default=None)
        name = safe_text(name, 32) if name else before.name if before else None
        self.by_address[key] = Seen(key, name, tuple(sorted(services)), rssi_dbm, guess_kind(services), connected)


def guess_kind(services: set[str]) -> SensorKind | None:
    return next((kind for service, kind in _KINDS if service in services), None)


async def scan(seconds: float, backend: Backend | None = None) -> list[Seen]:
    """Sensors that offer a service of ours, the strongest first; then those connected to this computer already.

    :raises NoBluetooth: where nothing can be received.
    """
    backend = backend or Backend()
    if backend.scanner is None:
        await require_bluetooth()
    sightings = _Sightings()
    for device in await connected_devices(backend):
        sightings.connected(device)
    scanner = BleakScanner(sightings.advertised, backend=backend.scanner)
    try:
        await bounded(scanner.start(), _PATIENCE_S)
        try:
            await asyncio.sleep(seconds)
        finally:
            await bounded(scanner.stop(), _PATIENCE_S)
    except (BleakError, OSError) as error:
        raise NoBluetooth(f"Scanning failed ({error}); switch Bluetooth off and on, and try again.") from error
    ours = [s for s in sightings.by_address.values() if s.connected or not set(SERVICES).isdisjoint(s.services)]
    return sorted(ours, key=lambda s: (s.connected, -(s.rssi_dbm or 0), s.address))


def starter_bench(seen: list[Seen], name: str = "My bench") -> str:
    """A bench file (TOML) of all that was seen; the place of each meter is a guess for the person to put right."""
    lines = ["# Check each name and place, take out what is not yours, and add what the makers claim.", "[bench]"]
    lines += [f"name = {_quoted(name)}", ""]
    taken: set[str] = set()
    for one in seen:
        title = _free_name(one, taken)
        taken.add(title)
        meter = one.kind in ("meter", None)
        trainer = "1826" in one.services
        lines.append("[[meter]]" if meter else "[[sensor]]")
        lines.append(f"name = {_quoted(title)}")
        if meter:
            place = "trainer" if trainer else "crank"
            lines.append(f'place = "{place}"  # pedals, crank, spider, chainring, hub, trainer')
        else:
            lines.append(f'kind = "{one.kind}"')
        lines += [f"address = {_quoted(one.address)}", ""]
    return "\n".join(lines)


def _free_name(seen: Seen, taken: set[str]) -> str:
    """Names in a bench file differ, are not empty, have no slash and at most 32 characters."""
    base = safe_text(seen.name or "", 32).replace("/", "-").strip() or f"sensor {seen.address[-5:]}"
    title, number = base, 1
    while title in taken:
        number += 1
        title = f"{base[:28]} {number}"
    return title


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string as long as it holds no DEL and no surrogates, and safe_text lets none pass.
    return json.dumps(safe_text(text, 64), ensure_ascii=False)
