"""Requests to a trainer and its responses (2ad9): who has control, and the load as level, power or slope."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Self

from analysis.characteristics.byte_fields import ByteReader
from analysis.characteristics.not_understood import NotUnderstood

RESPONSE = 0x80


class OpCode(IntEnum):
    """Those used here. Numbers: Fitness Machine Service 1.0, 4.16.1, from memory; checked against bluetooth-sig."""

    REQUEST_CONTROL = 0x00
    RESET = 0x01
    SET_RESISTANCE_LEVEL = 0x04
    SET_TARGET_POWER = 0x05
    START_OR_RESUME = 0x07
    STOP_OR_PAUSE = 0x08
    SET_BIKE_SIMULATION = 0x11


class Result(IntEnum):
    SUCCESS = 1
    NOT_SUPPORTED = 2
    INVALID_PARAMETER = 3
    FAILED = 4
    NOT_PERMITTED = 5


_RESULT_WORDS: dict[int, str] = {
    Result.SUCCESS: "done",
    Result.NOT_SUPPORTED: "the trainer does not offer that",
    Result.INVALID_PARAMETER: "the trainer does not accept the value",
    Result.FAILED: "the trainer says that it failed",
    Result.NOT_PERMITTED: "the trainer lets somebody else set its load, or nobody",
}
# Bytes and signs of the operand: Fitness Machine Service 1.0, 4.16.2, from memory.
_OPERANDS: dict[int, tuple[tuple[int, bool], ...]] = {
    OpCode.SET_RESISTANCE_LEVEL: ((1, False),),  # 0.1
    OpCode.SET_TARGET_POWER: ((2, True),),  # W
    OpCode.STOP_OR_PAUSE: ((1, False),),  # 1 stop, 2 pause
    # wind 0.001 m/s, grade 0.01 %, rolling resistance 0.0001, air resistance 0.01 kg/m
    OpCode.SET_BIKE_SIMULATION: ((2, True), (2, True), (1, False), (1, False)),
}
_STOP, _PAUSE = 1, 2
# Of an ordinary road bicycle on asphalt (common practice, no published source).
_ROLLING_RAW, _AIR_RAW = 40, 51


@dataclass(frozen=True, slots=True)
class FitnessMachineRequest:
    """`values` are the operands as sent; an unknown request keeps its operand in `trailing`."""

    op_code: int
    values: tuple[int, ...] = ()
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`, also for a response."""
        reader = ByteReader("trainer request", data)
        op_code = reader.unsigned(1)
        if op_code == RESPONSE:
            raise NotUnderstood("trainer request: this is a response")
        values = tuple(
            reader.signed(size) if signed else reader.unsigned(size) for size, signed in _OPERANDS.get(op_code, ())
        )
        return cls(op_code, values, reader.rest())

    @classmethod
    def resistance_level(cls, level: float) -> Self:
        return cls(OpCode.SET_RESISTANCE_LEVEL, (round(level * 10),))

    @classmethod
    def target_power(cls, power_w: float) -> Self:
        return cls(OpCode.SET_TARGET_POWER, (round(power_w),))

    @classmethod
    def slope(cls, slope_pct: float) -> Self:
        """Without wind, on an ordinary road bicycle."""
        return cls(OpCode.SET_BIKE_SIMULATION, (0, round(slope_pct * 100), _ROLLING_RAW, _AIR_RAW))

    @classmethod
    def stop(cls) -> Self:
        return cls(OpCode.STOP_OR_PAUSE, (_STOP,))

    @classmethod
    def pause(cls) -> Self:
        return cls(OpCode.STOP_OR_PAUSE, (_PAUSE,))

    def __bytes__(self) -> bytes:
        """Raises ValueError where operands are missing, superfluous or do not fit."""
        fields = _OPERANDS.get(self.op_code, ())
        if len(fields) != len(self.values):
            raise ValueError(f"trainer request {self.op_code}: {len(self.values)} operands, not {len(fields)}")
        try:
            packed = (v.to_bytes(size, "little", signed=s) for v, (size, s) in zip(self.values, fields, strict=True))
            return bytes([self.op_code]) + b"".join(packed) + self.trailing
        except OverflowError:
            raise ValueError(f"trainer request {self.op_code}: {self.values} does not fit") from None

    @property
    def level(self) -> float | None:
        return self.values[0] / 10 if self.op_code == OpCode.SET_RESISTANCE_LEVEL else None

    @property
    def power_w(self) -> int | None:
        return self.values[0] if self.op_code == OpCode.SET_TARGET_POWER else None

    @property
    def slope_pct(self) -> float | None:
        return self.values[1] / 100 if self.op_code == OpCode.SET_BIKE_SIMULATION else None


@dataclass(frozen=True, slots=True)
class FitnessMachineResponse:
    request_op_code: int
    result: int
    parameter: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`."""
        reader = ByteReader("trainer response", data)
        if reader.unsigned(1) != RESPONSE:
            raise NotUnderstood("trainer response: this is not a response")
        return cls(reader.unsigned(1), reader.unsigned(1), reader.rest())

    def __bytes__(self) -> bytes:
        return bytes([RESPONSE, self.request_op_code, self.result]) + self.parameter

    @property
    def succeeded(self) -> bool:
        return self.result == Result.SUCCESS

    @property
    def result_words(self) -> str:
        return _RESULT_WORDS.get(self.result, f"result {self.result}, which the standard reserves")
