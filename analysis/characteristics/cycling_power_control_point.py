"""Requests to a power meter and its responses (2a66): zero offset, crank length and the like."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import date, time
from enum import IntEnum
from typing import Literal, Self

from analysis.characteristics.byte_fields import ByteReader
from analysis.characteristics.not_understood import NotUnderstood

RESPONSE = 0x20
NO_RAW_OFFSET = -1  # 0xFFFF on the air; a true offset of -1 cannot be told from it


class OpCode(IntEnum):
    """Bluetooth SIG, GATT Specification Supplement, Cycling Power Control Point."""

    SET_CUMULATIVE_VALUE = 0x01
    UPDATE_SENSOR_LOCATION = 0x02
    REQUEST_SENSOR_LOCATIONS = 0x03
    SET_CRANK_LENGTH = 0x04
    REQUEST_CRANK_LENGTH = 0x05
    SET_CHAIN_LENGTH = 0x06
    REQUEST_CHAIN_LENGTH = 0x07
    SET_CHAIN_WEIGHT = 0x08
    REQUEST_CHAIN_WEIGHT = 0x09
    SET_SPAN_LENGTH = 0x0A
    REQUEST_SPAN_LENGTH = 0x0B
    START_OFFSET_COMPENSATION = 0x0C
    MASK_CONTENT = 0x0D
    REQUEST_SAMPLING_RATE = 0x0E
    REQUEST_FACTORY_CALIBRATION_DATE = 0x0F
    START_ENHANCED_OFFSET_COMPENSATION = 0x10


class Result(IntEnum):
    SUCCESS = 1
    NOT_SUPPORTED = 2
    INVALID_OPERAND = 3
    FAILED = 4


_RESULT_WORDS: dict[int, str] = {
    Result.SUCCESS: "success",
    Result.NOT_SUPPORTED: "not supported by this sensor",
    Result.INVALID_OPERAND: "the sensor does not accept the value",
    Result.FAILED: "the sensor says that it failed",
}
_OPERAND_BYTES: dict[int, int] = {
    OpCode.SET_CUMULATIVE_VALUE: 4,
    OpCode.UPDATE_SENSOR_LOCATION: 1,
    OpCode.SET_CRANK_LENGTH: 2,  # 1/2 mm
    OpCode.SET_CHAIN_LENGTH: 2,  # mm
    OpCode.SET_CHAIN_WEIGHT: 2,  # g
    OpCode.SET_SPAN_LENGTH: 2,  # mm
    OpCode.MASK_CONTENT: 2,  # a set bit turns a part of the measurement off
}
_ANSWER_BYTES: dict[int, int] = {
    OpCode.REQUEST_CRANK_LENGTH: 2,
    OpCode.REQUEST_CHAIN_LENGTH: 2,
    OpCode.REQUEST_CHAIN_WEIGHT: 2,
    OpCode.REQUEST_SPAN_LENGTH: 2,
    OpCode.START_OFFSET_COMPENSATION: 2,
    OpCode.REQUEST_SAMPLING_RATE: 1,
    OpCode.REQUEST_FACTORY_CALIBRATION_DATE: 7,
    OpCode.START_ENHANCED_OFFSET_COMPENSATION: 2,
}
_WRONG_POSITION = 0x01
_FAILURE_OF_THE_MAKER = 0xFF
_OFFSET_REQUESTS = (OpCode.START_OFFSET_COMPENSATION, OpCode.START_ENHANCED_OFFSET_COMPENSATION)


@dataclass(frozen=True, slots=True)
class ControlPointRequest:
    """`value` is the operand in the unit of the standard; an unknown request keeps its operand in `trailing`."""

    op_code: int
    value: int | None = None
    trailing: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`, also for a response."""
        reader = ByteReader("control point request", data)
        op_code = reader.unsigned(1)
        if op_code == RESPONSE:
            raise NotUnderstood("control point request: this is a response")
        size = _OPERAND_BYTES.get(op_code, 0)
        return cls(op_code, reader.unsigned(size) if size else None, reader.rest())

    def __bytes__(self) -> bytes:
        """Raises ValueError where the operand is missing, superfluous or too large."""
        size = _OPERAND_BYTES.get(self.op_code, 0)
        if (self.value is None) != (size == 0):
            raise ValueError(f"control point request {self.op_code}: operand {self.value} does not belong")
        if self.value is not None and not 0 <= self.value < 1 << 8 * size:
            raise ValueError(f"control point request {self.op_code}: {self.value} does not fit {size} bytes")
        return bytes([self.op_code]) + (self.value or 0).to_bytes(size, "little") + self.trailing

    @property
    def crank_length_mm(self) -> float | None:
        return self.value / 2 if self.op_code == OpCode.SET_CRANK_LENGTH and self.value is not None else None


@dataclass(frozen=True, slots=True)
class ZeroOffset:
    """The value of a sensor at rest, as it gave it; its own past values are what it may be compared with."""

    raw: int
    unit: Literal["1/32 N·m", "N"]

    @property
    def offset_nm(self) -> float | None:
        """None where the sensor measures force: the lever is its own."""
        return self.raw / 32 if self.unit == "1/32 N·m" else None


@dataclass(frozen=True, slots=True)
class ControlPointResponse:
    """Values inside `parameter` are None where the sensor leaves them out or the request was another."""

    request_op_code: int
    result: int
    parameter: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Raises `NotUnderstood`, also for a successful answer that breaks off within its value."""
        reader = ByteReader("control point response", data)
        if reader.unsigned(1) != RESPONSE:
            raise NotUnderstood("control point response: this is not a response")
        response = cls(reader.unsigned(1), reader.unsigned(1), reader.rest())
        if response.succeeded and response.parameter:
            needed = _ANSWER_BYTES.get(response.request_op_code, 0)
            ByteReader("control point response", response.parameter).take(needed)
        response._manufacturer_part()
        return response

    @classmethod
    def answering(cls, op_code: int, value: int) -> Self:
        """A success with a number in the unit of the standard, offsets signed."""
        signed = op_code in _OFFSET_REQUESTS
        size = _ANSWER_BYTES.get(op_code, 0)
        return cls(op_code, Result.SUCCESS, value.to_bytes(size, "little", signed=signed))

    def __bytes__(self) -> bytes:
        return bytes([RESPONSE, self.request_op_code, self.result]) + self.parameter

    @property
    def succeeded(self) -> bool:
        return self.result == Result.SUCCESS

    @property
    def result_words(self) -> str:
        if self._enhanced_failure() == _WRONG_POSITION:
            return "the cranks stand in a position that the sensor does not accept"
        return _RESULT_WORDS.get(self.result, f"result {self.result}, which the standard reserves")

    @property
    def crank_length_mm(self) -> float | None:
        half_mm = self._number(OpCode.REQUEST_CRANK_LENGTH)
        return None if half_mm is None else half_mm / 2

    @property
    def chain_length_mm(self) -> int | None:
        return self._number(OpCode.REQUEST_CHAIN_LENGTH)

    @property
    def chain_weight_g(self) -> int | None:
        return self._number(OpCode.REQUEST_CHAIN_WEIGHT)

    @property
    def span_length_mm(self) -> int | None:
        return self._number(OpCode.REQUEST_SPAN_LENGTH)

    @property
    def sampling_rate_hz(self) -> int | None:
        return self._number(OpCode.REQUEST_SAMPLING_RATE)

    @property
    def locations(self) -> tuple[int, ...]:
        """Codes of `sensor_location` that the sensor can be set to."""
        asked = self.request_op_code == OpCode.REQUEST_SENSOR_LOCATIONS and self.succeeded
        return tuple(self.parameter) if asked else ()

    @property
    def factory_calibration_date(self) -> str | None:
        """ISO 8601 without a zone, which the sensor does not send; None also where it is no date."""
        if self._number(OpCode.REQUEST_FACTORY_CALIBRATION_DATE) is None:
            return None
        year, month, day, hour, minute, second = struct.unpack_from("<H5B", self.parameter)
        try:
            return f"{date(year, month, day).isoformat()}T{time(hour, minute, second).isoformat()}"
        except ValueError:
            return None

    def zero_offset(self, measures_torque: bool) -> ZeroOffset | None:
        """None where the sensor gives no raw value. `measures_torque` comes from its feature bits."""
        if self.request_op_code not in _OFFSET_REQUESTS or not self.succeeded or not self.parameter:
            return None
        raw = int.from_bytes(self.parameter[:2], "little", signed=True)
        if raw == NO_RAW_OFFSET:
            return None
        return ZeroOffset(raw, "1/32 N·m" if measures_torque else "N")

    @property
    def company_id(self) -> int | None:
        """Whose `manufacturer_data` follow an enhanced offset compensation."""
        part = self._manufacturer_part()
        return part[0] if part else None

    @property
    def manufacturer_data(self) -> bytes:
        part = self._manufacturer_part()
        return part[1] if part else b""

    def _number(self, op_code: OpCode) -> int | None:
        if self.request_op_code != op_code or not self.succeeded or not self.parameter:
            return None
        return int.from_bytes(self.parameter[: _ANSWER_BYTES[op_code]], "little")

    def _enhanced_failure(self) -> int | None:
        asked = self.request_op_code == OpCode.START_ENHANCED_OFFSET_COMPENSATION
        return self.parameter[0] if asked and self.result == Result.FAILED and self.parameter else None

    def _manufacturer_part(self) -> tuple[int, bytes] | None:
        """Behind the offset of an enhanced success, or behind the code for a failure of the maker's own."""
        if self.request_op_code != OpCode.START_ENHANCED_OFFSET_COMPENSATION:
            return None
        if self._enhanced_failure() == _FAILURE_OF_THE_MAKER:
            rest = self.parameter[1:]
        elif self.succeeded:
            rest = self.parameter[2:]
        else:
            return None
        if not rest:
            return None
        reader = ByteReader("control point response", rest)
        return reader.unsigned(2), reader.take(reader.unsigned(1))
