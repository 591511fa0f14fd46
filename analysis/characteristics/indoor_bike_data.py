"""What a trainer notifies of itself (2ad2): speed, cadence, power, resistance, distance and time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

from analysis.characteristics.byte_fields import U24, ColumnValue, Field, FlaggedLayout, Group

_MORE_DATA = 0  # set: this payload is one of several and speed stands in another
_RESISTANCE = 5


def _layout(resistance_code: str) -> FlaggedLayout:
    # Order, types and units: Bluetooth SIG, GATT Specification Supplement, Indoor Bike Data.
    return FlaggedLayout(
        "indoor bike data",
        2,
        [],
        [
            Group(_MORE_DATA, (Field("speed_raw", "H", "speed_kmh", 100),), present_if=0),
            Group(1, (Field("average_speed_raw", "H"),)),
            Group(2, (Field("cadence_raw", "H", "cadence_rpm", 2),)),
            Group(3, (Field("average_cadence_raw", "H"),)),
            Group(4, (Field("distance_m", U24, "distance_m"),)),
            Group(_RESISTANCE, (Field("resistance_level", resistance_code, "resistance_level"),)),
            Group(6, (Field("power_w", "h", "power_w"),)),
            Group(7, (Field("average_power_w", "h"),)),
            Group(
                8,
                (Field("energy_kcal", "H"), Field("energy_per_hour_kcal", "H"), Field("energy_per_minute_kcal", "B")),
            ),
            Group(9, (Field("heart_rate_bpm", "B"),)),
            Group(10, (Field("metabolic_equivalent_raw", "B"),)),
            Group(11, (Field("elapsed_s", "H", "elapsed_s"),)),
            Group(12, (Field("remaining_s", "H"),)),
        ],
    )


# The standard's own papers disagree: a signed two-byte level in the service's first edition (which trainers send),
# one unsigned byte in the Supplement. Nothing in the flags tells them apart; the length does.
_ONE_BYTE = _layout("B")
_TWO_BYTES = _layout("h")


@dataclass(frozen=True, slots=True, kw_only=True)
class IndoorBikeData:
    """Numbers as sent, None where absent. `resistance_bytes` is the width in which the level is written."""

    speed_raw: int | None = None  # 0.01 km/h
    average_speed_raw: int | None = None  # 0.01 km/h
    cadence_raw: int | None = None  # 1/2 rpm
    average_cadence_raw: int | None = None  # 1/2 rpm
    distance_m: int | None = None
    resistance_level: int | None = None
    power_w: int | None = None
    average_power_w: int | None = None
    energy_kcal: int | None = None
    energy_per_hour_kcal: int | None = None
    energy_per_minute_kcal: int | None = None
    heart_rate_bpm: int | None = None
    metabolic_equivalent_raw: int | None = None  # 0.1
    elapsed_s: int | None = None
    remaining_s: int | None = None
    resistance_bytes: Literal[1, 2] = 2
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Reserved flags are ignored, bytes after the announced fields kept. Raises `NotUnderstood`."""
        layout = _layout_of(data)
        _, numbers, trailing = layout.read(data)
        return cls(**numbers, resistance_bytes=1 if layout is _ONE_BYTE else 2, trailing=trailing)

    def __bytes__(self) -> bytes:
        """Raises ValueError for a number that does not fit or lacks its companion."""
        layout = _ONE_BYTE if self.resistance_bytes == 1 else _TWO_BYTES
        return layout.write({name: getattr(self, name) for name in self.__slots__}) + self.trailing

    @property
    def speed_kmh(self) -> float | None:
        return None if self.speed_raw is None else self.speed_raw / 100

    @property
    def cadence_rpm(self) -> float | None:
        return None if self.cadence_raw is None else self.cadence_raw / 2


def columns(data: bytes) -> dict[str, ColumnValue]:
    """What a recording keeps of one payload, by column. Raises `NotUnderstood`."""
    return _layout_of(data).columns(data)[1]


def _layout_of(data: bytes) -> FlaggedLayout:
    flags = _TWO_BYTES.flags(data)
    one_byte = flags >> _RESISTANCE & 1 and len(data) == _ONE_BYTE.size(flags)
    return _ONE_BYTE if one_byte else _TWO_BYTES
