"""A sensor whose every word is given by the test."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from simulated_sensors.sensor import Answer, LinkChange, Packet, Refusal

POWER_SERVICES: Mapping[str, Sequence[str]] = {
    "1818": ("2a63", "2a65", "2a5d", "2a66"),
    "180f": ("2a19",),
    "180a": ("2a24",),
}


@dataclass
class FakeSensor:
    name: str = "Alder pedals"
    address: str = "F0:00:00:00:00:01"
    service_uuids: Sequence[str] = ("1818", "180f")
    services: Mapping[str, Sequence[str]] = field(default_factory=lambda: dict(POWER_SERVICES))
    values: Mapping[str, bytes] = field(default_factory=lambda: {"2a65": b"\x0c\x00\x00\x00", "2a24": b"AL-1"})
    steps: Callable[[], Iterable[Packet | LinkChange]] = tuple
    reply: Answer | Refusal | None = None
    requests: list[tuple[str, bytes, float]] = field(default_factory=list)

    def read(self, characteristic: str) -> bytes:
        return self.values.get(characteristic, b"\x64")

    def schedule(self) -> Iterator[Packet | LinkChange]:
        return iter(self.steps())

    def write(self, characteristic: str, request: bytes, ride_s: float) -> Answer | Refusal | None:
        self.requests.append((characteristic, request, ride_s))
        return self.reply


def power_packets(rate_hz: float, seconds: float | None = None, payload_length: int = 14) -> Iterator[Packet]:
    """Numbered payloads at a steady rate; for ever without `seconds`."""
    numbers = itertools.count() if seconds is None else range(round(rate_hz * seconds))
    for number in numbers:
        yield Packet(number / rate_hz, "2a63", number.to_bytes(4, "little").ljust(payload_length, b"\x55"))
