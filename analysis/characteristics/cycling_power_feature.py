"""What a power meter says it can do (2a65)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal, Self

from analysis.characteristics.byte_fields import ByteReader


class FeatureBit(IntEnum):
    """Bluetooth SIG, GATT Specification Supplement, Cycling Power Feature."""

    BALANCE = 0
    ACCUMULATED_TORQUE = 1
    WHEEL_REVOLUTIONS = 2
    CRANK_REVOLUTIONS = 3
    EXTREME_MAGNITUDES = 4
    EXTREME_ANGLES = 5
    DEAD_SPOT_ANGLES = 6
    ACCUMULATED_ENERGY = 7
    OFFSET_COMPENSATION_INDICATOR = 8
    OFFSET_COMPENSATION = 9
    CONTENT_MASKING = 10
    MULTIPLE_LOCATIONS = 11
    CRANK_LENGTH = 12
    CHAIN_LENGTH = 13
    CHAIN_WEIGHT = 14
    SPAN_LENGTH = 15
    MEASURES_TORQUE = 16
    DIRECTION = 17
    FACTORY_CALIBRATION_DATE = 18
    ENHANCED_OFFSET_COMPENSATION = 19


DistributedUse = Literal["not said", "no", "yes", "reserved"]
_DISTRIBUTED_USES: tuple[DistributedUse, ...] = ("not said", "no", "yes", "reserved")


@dataclass(frozen=True, slots=True)
class CyclingPowerFeature:
    bits: int
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`."""
        reader = ByteReader("cycling power feature", data)
        return cls(reader.unsigned(4), reader.rest())

    @classmethod
    def of(cls, *present: FeatureBit) -> Self:
        return cls(sum(1 << bit for bit in set(present)))

    def __bytes__(self) -> bytes:
        return self.bits.to_bytes(4, "little") + self.trailing

    def has(self, bit: FeatureBit) -> bool:
        return bool(self.bits >> bit & 1)

    @property
    def measures_torque(self) -> bool:
        """Zero offsets are then in 1/32 N·m, otherwise in N."""
        return self.has(FeatureBit.MEASURES_TORQUE)

    @property
    def distributed(self) -> DistributedUse:
        """Whether it may be one of several that make a whole, such as the second pedal."""
        return _DISTRIBUTED_USES[self.bits >> 20 & 3]
