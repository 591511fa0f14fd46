"""The charge that a sensor reports (2a19)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from analysis.characteristics.byte_fields import ByteReader, ColumnValue


@dataclass(frozen=True, slots=True)
class BatteryLevel:
    raw: int  # 1 %
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`."""
        reader = ByteReader("battery level", data)
        return cls(reader.unsigned(1), reader.rest())

    def __bytes__(self) -> bytes:
        return bytes([self.raw]) + self.trailing

    @property
    def battery_pct(self) -> int | None:
        """None above 100, which the standard reserves."""
        return self.raw if self.raw <= 100 else None


def columns(data: bytes) -> dict[str, ColumnValue]:
    """What a recording keeps of one payload, by column. Raises `NotUnderstood`."""
    battery_pct = BatteryLevel.from_bytes(data).battery_pct
    return {} if battery_pct is None else {"battery_pct": battery_pct}
