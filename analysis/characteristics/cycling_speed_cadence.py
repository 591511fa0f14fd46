"""What a speed or cadence sensor notifies (2a5b): counted revolutions and the time of the last one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from analysis.characteristics.byte_fields import ColumnValue, Field, FlaggedLayout, Group

TICKS_PER_S = 1024  # wheel and crank alike, unlike the wheel of the power service

# Order, types and units: Bluetooth SIG, GATT Specification Supplement, CSC Measurement.
_LAYOUT = FlaggedLayout(
    "speed and cadence measurement",
    1,
    [],
    [
        Group(
            0,
            (
                Field("wheel_revolutions", "I", "wheel_revolutions"),
                Field("wheel_event_ticks", "H", "wheel_event_s", TICKS_PER_S),
            ),
        ),
        Group(
            1,
            (
                Field("crank_revolutions", "H", "crank_revolutions"),
                Field("crank_event_ticks", "H", "crank_event_s", TICKS_PER_S),
            ),
        ),
    ],
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclingSpeedCadence:
    """Numbers as sent, None where absent; counters and event times wrap."""

    wheel_revolutions: int | None = None
    wheel_event_ticks: int | None = None  # 1/1024 s
    crank_revolutions: int | None = None
    crank_event_ticks: int | None = None  # 1/1024 s
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Reserved flags are ignored, bytes after the announced fields kept. Raises `NotUnderstood`."""
        _, numbers, trailing = _LAYOUT.read(data)
        return cls(**numbers, trailing=trailing)

    def __bytes__(self) -> bytes:
        """Raises ValueError for a number that does not fit or lacks its companion."""
        return _LAYOUT.write({name: getattr(self, name) for name in self.__slots__}) + self.trailing

    @property
    def wheel_event_s(self) -> float | None:
        return None if self.wheel_event_ticks is None else self.wheel_event_ticks / TICKS_PER_S

    @property
    def crank_event_s(self) -> float | None:
        return None if self.crank_event_ticks is None else self.crank_event_ticks / TICKS_PER_S


def columns(data: bytes) -> dict[str, ColumnValue]:
    """What a recording keeps of one payload, by column. Raises `NotUnderstood`."""
    return _LAYOUT.columns(data)[1]
