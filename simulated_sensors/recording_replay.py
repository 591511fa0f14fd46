"""A recorded ride as simulated sensors: the same payloads at the same intervals, and the same answers to reads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow.parquet as pq

from analysis.bench_file import Bench, bench_from_dict
from analysis.characteristics import registry
from analysis.errors import BadRecording
from analysis.recording_reader import read_metadata
from simulated_sensors.sensor import Answer, LinkChange, Packet, Refusal

_SERVICE_OF = {
    registry.CYCLING_POWER_MEASUREMENT: registry.CYCLING_POWER_SERVICE,
    registry.CYCLING_POWER_FEATURE: registry.CYCLING_POWER_SERVICE,
    registry.CYCLING_POWER_CONTROL_POINT: registry.CYCLING_POWER_SERVICE,
    registry.SPEED_CADENCE_MEASUREMENT: registry.SPEED_CADENCE_SERVICE,
    registry.INDOOR_BIKE_DATA: registry.FITNESS_MACHINE_SERVICE,
    registry.BATTERY_LEVEL: registry.BATTERY_SERVICE,
    registry.TEMPERATURE: registry.ENVIRONMENTAL_SENSING_SERVICE,
    **dict.fromkeys(("2a24", "2a25", "2a26", "2a27", "2a28", "2a29"), registry.DEVICE_INFORMATION_SERVICE),
}
_OP_NOT_SUPPORTED = 2


@dataclass
class RecordedSensor:
    """A `SimulatedSensor`. `packets` are due from the first row of the recording on."""

    name: str
    address: str
    packets: Sequence[Packet]
    values: Mapping[str, bytes]
    services: Mapping[str, Sequence[str]] = field(init=False)
    service_uuids: Sequence[str] = field(init=False)

    def __post_init__(self) -> None:
        services: dict[str, list[str]] = {}
        for number in dict.fromkeys([p.characteristic for p in self.packets] + list(self.values)):
            if number in _SERVICE_OF:
                services.setdefault(_SERVICE_OF[number], []).append(number)
        # The location belongs to whichever measuring service there is.
        if registry.SENSOR_LOCATION in self.values and services:
            services[next(iter(services))].append(registry.SENSOR_LOCATION)
        self.services = services
        self.service_uuids = [s for s in services if s != registry.DEVICE_INFORMATION_SERVICE]

    def read(self, characteristic: str) -> bytes:
        return self.values.get(characteristic, b"")

    def schedule(self) -> Iterator[Packet | LinkChange]:
        return iter(self.packets)

    def write(self, characteristic: str, request: bytes, ride_s: float) -> Answer | Refusal | None:
        """A recording cannot be zeroed again: not supported."""
        return Answer(0.1, bytes([0x20, request[0] if request else 0, _OP_NOT_SUPPORTED]))


def recorded_sensors(path: Path) -> list[RecordedSensor]:
    """Every stream of the recording, in the order of its bench.

    :raises BadRecording: where the file cannot be read or holds no payload.
    """
    bench = bench_from_dict(read_metadata(path).bench)
    addresses = _addresses(bench)
    table = pq.read_table(path, columns=["host_ns", "sensor", "characteristic", "row_kind", "payload"])
    packets: dict[str, list[Packet]] = {}
    values: dict[str, dict[str, bytes]] = {}
    for row in table.to_pylist():
        if row["payload"] is None or row["sensor"] is None:
            continue
        if row["row_kind"] == "read":
            values.setdefault(row["sensor"], {})[row["characteristic"]] = row["payload"]
        elif row["row_kind"] == "notification":
            packet = Packet(row["host_ns"] / 1e9, row["characteristic"], row["payload"])
            packets.setdefault(row["sensor"], []).append(packet)
    if not packets:
        raise BadRecording(f"{path} holds no notification that could be replayed.")
    return [
        RecordedSensor(name, addresses.get(name, f"F0:00:00:00:02:{i + 1:02X}"), packets[name], values.get(name, {}))
        for i, name in enumerate(packets)
    ]


def _addresses(bench: Bench) -> dict[str, str]:
    found = {f"{m.name}/{i + 1}": a for m in bench.meter for i, a in enumerate(m.addresses)}
    found |= {m.name: m.address for m in bench.meter if m.address}
    return found | {s.name: s.address for s in bench.sensor if s.address}
