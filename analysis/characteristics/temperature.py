"""The temperature that a thermometer reports (2a6e)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from analysis.characteristics.byte_fields import ByteReader, ColumnValue

_NOT_KNOWN = -0x8000


@dataclass(frozen=True, slots=True)
class Temperature:
    raw: int  # 0.01 °C
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`."""
        reader = ByteReader("temperature", data)
        return cls(reader.signed(2), reader.rest())

    def __bytes__(self) -> bytes:
        return self.raw.to_bytes(2, "little", signed=True) + self.trailing

    @property
    def temperature_c(self) -> float | None:
        """None where the sensor says that it does not know."""
        return None if self.raw == _NOT_KNOWN else self.raw / 100


def columns(data: bytes) -> dict[str, ColumnValue]:
    """What a recording keeps of one payload, by column. Raises `NotUnderstood`."""
    temperature_c = Temperature.from_bytes(data).temperature_c
    return {} if temperature_c is None else {"temperature_c": temperature_c}
