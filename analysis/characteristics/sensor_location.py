"""Where on the bicycle or rider a sensor says that it sits (2a5d)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from analysis.characteristics.byte_fields import ByteReader

# Bluetooth SIG, GATT Specification Supplement, Sensor Location; the position in this list is the code.
LOCATION_NAMES = (
    "other",
    "top of shoe",
    "in shoe",
    "hip",
    "front wheel",
    "left crank",
    "right crank",
    "left pedal",
    "right pedal",
    "front hub",
    "rear dropout",
    "chainstay",
    "rear wheel",
    "rear hub",
    "chest",
    "spider",
    "chain ring",
)


@dataclass(frozen=True, slots=True)
class SensorLocation:
    code: int
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`."""
        reader = ByteReader("sensor location", data)
        return cls(reader.unsigned(1), reader.rest())

    @classmethod
    def named(cls, name: str) -> Self:
        """Raises ValueError for a name that is not in `LOCATION_NAMES`."""
        return cls(LOCATION_NAMES.index(name))

    def __bytes__(self) -> bytes:
        return bytes([self.code]) + self.trailing

    @property
    def name(self) -> str:
        return LOCATION_NAMES[self.code] if self.code < len(LOCATION_NAMES) else f"reserved location {self.code}"
