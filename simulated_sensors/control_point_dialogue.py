"""How a simulated meter behaves at its control point: zero offset, crank length, and what it does not know."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np

from analysis.characteristics.cycling_power_control_point import (
    NO_RAW_OFFSET,
    ControlPointRequest,
    ControlPointResponse,
    OpCode,
    Result,
)
from analysis.characteristics.not_understood import NotUnderstood
from simulated_sensors.sensor import Answer, Refusal

Manner = Literal["answers", "fails", "busy", "silent", "late", "unsupported"]

_PROMPT_S = 0.05
_LATE_S = 40.0  # beyond the 30 s that a client waits (the figure is from memory of the standard)
_BUSY = 0xFE
_NO_COMPANY = struct.pack("<HB", 0xFFFF, 0)  # an identifier set aside for tests, and no data of the maker's
_WRONG_POSITION = b"\x01"
_SPREAD_RAW = 3  # a zero offset asked for twice differs by a few counts (common practice, no published source)


@dataclass(frozen=True)
class ZeroBehaviour:
    """`raw` is what the unit finds unloaded: 1/32 N·m where it measures torque, N where it measures force."""

    manner: Manner = "answers"
    raw: int = 0
    after_s: float = 2.5
    enhanced: bool = False


@dataclass
class ControlPointDialogue:
    """Answers to requests. The zero offset is told, and changes nothing in what the unit measures."""

    zero: ZeroBehaviour
    crank_length_mm: float | None
    sampling_hz: int
    factory_date: date | None
    rng: np.random.Generator

    def respond(self, request: bytes, *, turning: bool) -> Answer | Refusal | None:
        """As `SimulatedSensor.write`; `turning` tells that somebody pedals, and then no unit can find its zero."""
        try:
            asked = ControlPointRequest.from_bytes(request)
        except NotUnderstood:
            return _answer(ControlPointResponse(request[0] if request else 0, Result.INVALID_OPERAND))
        op = asked.op_code
        if op == OpCode.START_OFFSET_COMPENSATION:
            return self._offset(op, turning)
        if op == OpCode.START_ENHANCED_OFFSET_COMPENSATION and self.zero.enhanced:
            return self._offset(op, turning)
        if op == OpCode.SET_CRANK_LENGTH and self.crank_length_mm is not None:
            self.crank_length_mm = asked.crank_length_mm
            return _answer(ControlPointResponse(op, Result.SUCCESS))
        return _answer(self._told(op) or ControlPointResponse(op, Result.NOT_SUPPORTED))

    def _told(self, op: int) -> ControlPointResponse | None:
        if op == OpCode.REQUEST_CRANK_LENGTH and self.crank_length_mm is not None:
            return ControlPointResponse.answering(op, round(2 * self.crank_length_mm))
        if op == OpCode.REQUEST_SAMPLING_RATE:
            return ControlPointResponse.answering(op, self.sampling_hz)
        if op == OpCode.REQUEST_FACTORY_CALIBRATION_DATE and self.factory_date is not None:
            day = self.factory_date
            packed = struct.pack("<H5B", day.year, day.month, day.day, 12, 0, 0)
            return ControlPointResponse(op, Result.SUCCESS, packed)
        return None

    def _offset(self, op: int, turning: bool) -> Answer | Refusal | None:
        if self.zero.manner == "busy":
            return Refusal(_BUSY)
        if self.zero.manner == "silent":
            return None
        if self.zero.manner == "unsupported":
            return _answer(ControlPointResponse(op, Result.NOT_SUPPORTED))
        enhanced = op == OpCode.START_ENHANCED_OFFSET_COMPENSATION
        after_s = _LATE_S if self.zero.manner == "late" else self.zero.after_s
        if turning or self.zero.manner == "fails":
            return _answer(ControlPointResponse(op, Result.FAILED, _WRONG_POSITION if enhanced else b""), after_s)
        raw = self.zero.raw + int(self.rng.integers(-_SPREAD_RAW, _SPREAD_RAW + 1))
        if raw == NO_RAW_OFFSET:
            raw -= 1
        value = raw.to_bytes(2, "little", signed=True)
        return _answer(ControlPointResponse(op, Result.SUCCESS, value + (_NO_COMPANY if enhanced else b"")), after_s)


def _answer(response: ControlPointResponse, after_s: float = _PROMPT_S) -> Answer:
    return Answer(after_s, bytes(response))
