"""What a trainer says that it can be set to: its features (2acc), levels (2ad6) and powers (2ad8)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Self

from analysis.characteristics.byte_fields import ByteReader
from analysis.characteristics.not_understood import NotUnderstood

# Bits of the second word of the feature. Fitness Machine Service 1.0, 4.3.1.2, from memory; bluetooth-sig agrees.
LEVEL_BIT, POWER_BIT, SIMULATION_BIT = 2, 3, 13


@dataclass(frozen=True, slots=True)
class FitnessMachineFeature:
    machine_bits: int
    target_bits: int

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`; what lies behind the two words is left alone."""
        reader = ByteReader("trainer feature", data)
        return cls(reader.unsigned(4), reader.unsigned(4))

    def __bytes__(self) -> bytes:
        return struct.pack("<II", self.machine_bits, self.target_bits)

    def can_set(self, bit: int) -> bool:
        return bool(self.target_bits >> bit & 1)


@dataclass(frozen=True, slots=True)
class PowerRange:
    """All in W (GATT Specification Supplement, Supported Power Range)."""

    least_w: int
    most_w: int
    step_w: int

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`, also for a range that is none."""
        reader = ByteReader("trainer power range", data)
        found = cls(reader.signed(2), reader.signed(2), reader.unsigned(2))
        if found.least_w > found.most_w:
            raise NotUnderstood("trainer power range: the least is above the most")
        return found

    def __bytes__(self) -> bytes:
        return struct.pack("<hhH", self.least_w, self.most_w, self.step_w)


@dataclass(frozen=True, slots=True)
class LevelRange:
    """In tenths of a level, six bytes: the first edition of the service (from memory), which trainers send.

    The Supplement has three bytes in tens of levels; a request has the same one byte either way, so such a trainer
    cannot be set without guessing and its range is not understood.
    """

    least_raw: int
    most_raw: int
    step_raw: int

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`, also for a range that is none."""
        reader = ByteReader("trainer level range", data)
        found = cls(reader.signed(2), reader.signed(2), reader.unsigned(2))
        if found.least_raw > found.most_raw:
            raise NotUnderstood("trainer level range: the least is above the most")
        return found

    def __bytes__(self) -> bytes:
        return struct.pack("<hhH", self.least_raw, self.most_raw, self.step_raw)
