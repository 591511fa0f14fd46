"""What a power meter notifies (2a63): power, balance, torque, revolutions, extremes, dead spots and energy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

from analysis.characteristics.byte_fields import U24, ColumnValue, Field, FlaggedLayout, Group

BalanceReference = Literal["left", "unknown"]
TorqueSource = Literal["crank", "wheel"]

WHEEL_TICKS_PER_S = 2048  # the cadence service (2a5b) counts the wheel in 1/1024 s instead
CRANK_TICKS_PER_S = 1024
TORQUE_UNITS_PER_NM = 32

_BALANCE = 1 << 0
_BALANCE_IS_LEFT = 1 << 1
_TORQUE = 1 << 2
_TORQUE_AT_CRANK = 1 << 3
_ANGLES = 1 << 8
_OFFSET_COMPENSATED = 1 << 12

# Order, types and units: Bluetooth SIG, GATT Specification Supplement, Cycling Power Measurement.
_LAYOUT = FlaggedLayout(
    "cycling power measurement",
    2,
    [Field("power_w", "h", "power_w")],
    [
        Group(0, (Field("balance_raw", "B", "balance_left_pct"),)),
        Group(2, (Field("accumulated_torque_raw", "H", "accumulated_torque_nm", TORQUE_UNITS_PER_NM),)),
        Group(
            4,
            (
                Field("wheel_revolutions", "I", "wheel_revolutions"),
                Field("wheel_event_ticks", "H", "wheel_event_s", WHEEL_TICKS_PER_S),
            ),
        ),
        Group(
            5,
            (
                Field("crank_revolutions", "H", "crank_revolutions"),
                Field("crank_event_ticks", "H", "crank_event_s", CRANK_TICKS_PER_S),
            ),
        ),
        Group(6, (Field("force_max_n", "h", "force_max_n"), Field("force_min_n", "h", "force_min_n"))),
        Group(
            7,
            (
                Field("torque_max_raw", "h", "torque_max_nm", TORQUE_UNITS_PER_NM),
                Field("torque_min_raw", "h", "torque_min_nm", TORQUE_UNITS_PER_NM),
            ),
        ),
        Group(8, (Field("angles", U24, "angles"),)),  # both angles in one number, see _split_angles
        Group(9, (Field("top_dead_spot_deg", "H", "top_dead_spot_deg"),)),
        Group(10, (Field("bottom_dead_spot_deg", "H", "bottom_dead_spot_deg"),)),
        Group(11, (Field("accumulated_energy_kj", "H", "accumulated_energy_kj"),)),
    ],
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclingPowerMeasurement:
    """Numbers as sent, None where absent; counters and event times wrap.

    `balance_reference` and `torque_source` say nothing where there is no balance or torque.
    Sensors are known to swap the two angles: do not build on them.
    """

    power_w: int
    balance_raw: int | None = None  # 1/2 %
    balance_reference: BalanceReference = "unknown"
    accumulated_torque_raw: int | None = None  # 1/32 N·m
    torque_source: TorqueSource = "wheel"
    wheel_revolutions: int | None = None
    wheel_event_ticks: int | None = None  # 1/2048 s
    crank_revolutions: int | None = None
    crank_event_ticks: int | None = None  # 1/1024 s
    force_max_n: int | None = None
    force_min_n: int | None = None
    torque_max_raw: int | None = None  # 1/32 N·m
    torque_min_raw: int | None = None  # 1/32 N·m
    angle_max_deg: int | None = None
    angle_min_deg: int | None = None
    top_dead_spot_deg: int | None = None
    bottom_dead_spot_deg: int | None = None
    accumulated_energy_kj: int | None = None
    offset_compensated: bool = False
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Reserved flags are ignored, bytes after the announced fields kept. Raises `NotUnderstood`."""
        flags, numbers, trailing = _LAYOUT.read(data)
        if flags & _ANGLES:
            numbers["angle_max_deg"], numbers["angle_min_deg"] = _split_angles(numbers.pop("angles"))
        return cls(
            **numbers,
            balance_reference=_balance_reference(flags),
            torque_source=_torque_source(flags),
            offset_compensated=bool(flags & _OFFSET_COMPENSATED),
            trailing=trailing,
        )

    def __bytes__(self) -> bytes:
        """Raises ValueError for a number that does not fit or lacks its companion."""
        numbers = {name: getattr(self, name) for name in self.__slots__}
        numbers["angles"] = _joined_angles(self.angle_max_deg, self.angle_min_deg)
        flags = (
            (self.balance_reference == "left") * _BALANCE_IS_LEFT
            | (self.torque_source == "crank") * _TORQUE_AT_CRANK
            | self.offset_compensated * _OFFSET_COMPENSATED
        )
        return _LAYOUT.write(numbers, flags) + self.trailing

    @property
    def balance_pct(self) -> float | None:
        """None also where the sensor sends more than 100 %, which the standard does not allow."""
        return None if self.balance_raw is None else _balance_pct(self.balance_raw)

    @property
    def accumulated_torque_nm(self) -> float | None:
        return None if self.accumulated_torque_raw is None else self.accumulated_torque_raw / TORQUE_UNITS_PER_NM

    @property
    def wheel_event_s(self) -> float | None:
        return None if self.wheel_event_ticks is None else self.wheel_event_ticks / WHEEL_TICKS_PER_S

    @property
    def crank_event_s(self) -> float | None:
        return None if self.crank_event_ticks is None else self.crank_event_ticks / CRANK_TICKS_PER_S


def columns(data: bytes) -> dict[str, ColumnValue]:
    """What a recording keeps of one payload, by column, without making an object of it. Raises `NotUnderstood`."""
    flags, values = _LAYOUT.columns(data)
    values["offset_compensated"] = bool(flags & _OFFSET_COMPENSATED)
    if flags & _BALANCE:
        balance_pct = _balance_pct(data[4])
        if balance_pct is None:
            del values["balance_left_pct"]
        else:
            values["balance_left_pct"] = balance_pct
            values["balance_reference"] = _balance_reference(flags)
    if flags & _TORQUE:
        values["torque_source"] = _torque_source(flags)
    if flags & _ANGLES:
        values["angle_max_deg"], values["angle_min_deg"] = _split_angles(int(values.pop("angles")))
    return values


def _balance_pct(raw: int) -> float | None:
    return raw / 2 if raw <= 200 else None


def _balance_reference(flags: int) -> BalanceReference:
    return "left" if flags & _BALANCE_IS_LEFT else "unknown"


def _torque_source(flags: int) -> TorqueSource:
    return "crank" if flags & _TORQUE_AT_CRANK else "wheel"


def _split_angles(packed: int) -> tuple[int, int]:
    """Greatest and least, twelve bits each; the greatest lies in the lower ones."""
    return packed & 0xFFF, packed >> 12


def _joined_angles(angle_max_deg: int | None, angle_min_deg: int | None) -> int | None:
    if angle_max_deg is None and angle_min_deg is None:
        return None
    if angle_max_deg is None or angle_min_deg is None:
        raise ValueError("cycling power measurement: one extreme angle is missing beside the other")
    if not (0 <= angle_max_deg <= 0xFFF and 0 <= angle_min_deg <= 0xFFF):
        raise ValueError("cycling power measurement: extreme angles must lie between 0 and 4095 degrees")
    return angle_min_deg << 12 | angle_max_deg
