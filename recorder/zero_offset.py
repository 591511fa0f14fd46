"""Asking a sensor for its zero offset, and saying in words what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.characteristics.cycling_power_control_point import (
    ControlPointRequest,
    ControlPointResponse,
    OpCode,
    Result,
)
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import CYCLING_POWER_FEATURE
from recorder.bluetooth_library import BleakGATTProtocolError
from recorder.bluetooth_link import BluetoothLink
from recorder.control_point import NoAnswer
from recorder.link_failures import trouble_of

REQUEST = bytes(ControlPointRequest(OpCode.START_OFFSET_COMPENSATION))

Outcome = Literal[
    "done", "refused", "failed", "unsupported", "busy", "not_configured", "silent", "unreachable", "not_understood"
]
_NOT_SUPPORTED = 0x06
# Attribute errors: Bluetooth Core, Vol 3 Part F 3.4.1.1, and the common profile errors of its supplement.
_ATT_OUTCOMES: dict[int, tuple[Outcome, str]] = {
    0xFD: ("not_configured", "the sensor says that its indications are off; connect it anew and ask again"),
    0xFE: ("busy", "the sensor is still busy with an earlier request; wait a moment and ask again"),
    _NOT_SUPPORTED: ("unsupported", "the sensor does not offer a zero offset by radio"),
}


@dataclass(frozen=True, slots=True)
class ZeroOffsetAnswer:
    """`raw` and `unit` as the sensor gave them; `offset_nm` only where it measures torque."""

    sensor: str
    outcome: Outcome
    words: str
    raw: int | None = None
    unit: str | None = None
    offset_nm: float | None = None
    payload: bytes | None = None

    @property
    def done(self) -> bool:
        return self.outcome == "done"


async def ask_zero_offset(link: BluetoothLink, timeout_s: float) -> ZeroOffsetAnswer:
    """Says in words what came of it, whatever happened. Never raises."""
    sensor = link.sensor
    try:
        if link.has(CYCLING_POWER_FEATURE) and CYCLING_POWER_FEATURE not in link.values:
            await link.read(CYCLING_POWER_FEATURE)
        control_point = await link.control_point()
        if control_point is None:
            return refusal(sensor, _NOT_SUPPORTED)
        payload = await control_point.ask(REQUEST, timeout_s)
    except NoAnswer:
        words = (
            f"the sensor took the request and did not answer within {timeout_s:.0f} s; keep it still and ask again"
        )
        return ZeroOffsetAnswer(sensor, "silent", words)
    except BleakGATTProtocolError as error:
        return refusal(sensor, error.code)
    except Exception as error:  # noqa: BLE001 - the libraries raise many kinds; the person is told what came of it
        return unreachable(sensor, f"the link failed while asking: {trouble_of(error)[0].value}")
    return read_answer(sensor, payload, link.values.get(CYCLING_POWER_FEATURE))


def refusal(sensor: str, att_error: int) -> ZeroOffsetAnswer:
    """The request itself was turned down."""
    unknown: tuple[Outcome, str] = ("refused", f"the sensor refused the request (attribute error 0x{att_error:02X})")
    outcome, words = _ATT_OUTCOMES.get(att_error, unknown)
    return ZeroOffsetAnswer(sensor, outcome, words)


def unreachable(sensor: str, words: str) -> ZeroOffsetAnswer:
    return ZeroOffsetAnswer(sensor, "unreachable", words)


def read_answer(sensor: str, payload: bytes, feature: bytes | None, late: bool = False) -> ZeroOffsetAnswer:
    """Of the indication, whenever it came."""
    try:
        response = ControlPointResponse.from_bytes(payload)
    except NotUnderstood as fault:
        words = f"the sensor answered, but not as the standard says ({fault.reason})"
        return ZeroOffsetAnswer(sensor, "not_understood", words, payload=payload)
    prefix = "late answer: " if late else ""
    if response.result == Result.NOT_SUPPORTED:
        words = prefix + "the sensor does not offer a zero offset by radio"
        return ZeroOffsetAnswer(sensor, "unsupported", words, payload=payload)
    if not response.succeeded:
        words = (
            f"{prefix}{response.result_words}; keep it still and unloaded, cranks as its maker says, and ask again"
        )
        return ZeroOffsetAnswer(sensor, "failed", words, payload=payload)
    offset = response.zero_offset(_measures_torque(feature))
    if offset is None:
        return ZeroOffsetAnswer(sensor, "done", prefix + "done; the sensor gives no value", payload=payload)
    nm = "" if offset.offset_nm is None else f", that is {offset.offset_nm:.2f} N·m"
    words = f"{prefix}done; raw offset {offset.raw} in {offset.unit}{nm}"
    return ZeroOffsetAnswer(sensor, "done", words, offset.raw, offset.unit, offset.offset_nm, payload)


def _measures_torque(feature: bytes | None) -> bool:
    try:
        return feature is not None and CyclingPowerFeature.from_bytes(feature).measures_torque
    except NotUnderstood:
        return False
