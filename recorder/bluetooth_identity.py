"""What a newly linked sensor says of itself: make, serial, versions, battery, place, features, crank length."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import TypeVar

from analysis.characteristics.battery_level import BatteryLevel
from analysis.characteristics.cycling_power_control_point import ControlPointRequest, ControlPointResponse, OpCode
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature, FeatureBit
from analysis.characteristics.device_information import DeviceInformation
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import (
    BATTERY_LEVEL,
    CYCLING_POWER_FEATURE,
    FIRMWARE_REVISION,
    HARDWARE_REVISION,
    MANUFACTURER,
    MODEL,
    SENSOR_LOCATION,
    SERIAL,
    SOFTWARE_REVISION,
)
from analysis.characteristics.sensor_location import SensorLocation
from analysis.safe_text import safe_text
from recorder.bluetooth_link import BluetoothLink
from recorder.link_actions import Trouble
from recorder.link_failures import LinkFailed
from recorder.source import Identity

READ_ONCE = (
    SERIAL,
    CYCLING_POWER_FEATURE,
    SENSOR_LOCATION,
    BATTERY_LEVEL,
    MANUFACTURER,
    MODEL,
    HARDWARE_REVISION,
    FIRMWARE_REVISION,
    SOFTWARE_REVISION,
)
_CRANK_LENGTH_S = 5.0
D = TypeVar("D", BatteryLevel, CyclingPowerFeature, SensorLocation)


async def verify_serial(
    link: BluetoothLink, wanted: str | None, only_serial_tells: bool, of_others: Mapping[str, str]
) -> None:
    """Nothing may be recorded under a name that belongs to another device.

    `only_serial_tells`: without this serial it is not known to be the sensor. `of_others`: whose serials are known.

    :raises LinkFailed: for another serial, and for none where only the serial could tell.
    """
    serial = await _serial_now(link, must=only_serial_tells)
    if serial is not None and serial in of_others and serial != wanted:
        raise LinkFailed(
            Trouble.WRONG_SENSOR,
            f"{link.address} says that its serial is {serial}, which the bench file gives to "
            f"{safe_text(of_others[serial])}: have the two been exchanged? check the bench file",
        )
    if wanted is None or serial == wanted or (serial is None and not only_serial_tells):
        return
    said = "does not tell its serial" if serial is None else f"says that its serial is {serial}"
    raise LinkFailed(
        Trouble.WRONG_SENSOR, f"{link.address} {said}, wanted is {safe_text(wanted)}: check the bench file"
    )


async def _serial_now(link: BluetoothLink, must: bool) -> str | None:
    if not link.has(SERIAL):
        return None
    try:
        return _text(await link.read_unrecorded(SERIAL))
    except Exception:  # where the address says enough, a sensor that does not answer just now is not sent away
        if must or not link.is_up:
            raise
        return None


async def read_identity(link: BluetoothLink, name: str | None) -> Identity:
    """All that can be read; what cannot is left out. Never raises for a sensor that does not answer."""
    for characteristic in READ_ONCE:
        if not link.is_up:
            break
        if link.has(characteristic) and characteristic not in link.values:
            with contextlib.suppress(Exception):  # one value less; a lost link shows by itself
                await link.read(characteristic)
    crank_length_mm = await _crank_length_mm(link)
    return identity_of(link.values, link.address, name, crank_length_mm)


def identity_of(
    values: dict[str, bytes], address: str, name: str | None, crank_length_mm: float | None = None
) -> Identity:
    """From the values as read, by characteristic."""
    battery = _decoded(BatteryLevel, values.get(BATTERY_LEVEL))
    feature = _decoded(CyclingPowerFeature, values.get(CYCLING_POWER_FEATURE))
    location = _decoded(SensorLocation, values.get(SENSOR_LOCATION))
    return Identity(
        address=address,
        name=safe_text(name) if name else None,
        manufacturer=_text(values.get(MANUFACTURER)),
        model=_text(values.get(MODEL)),
        serial=_text(values.get(SERIAL)),
        hardware_revision=_text(values.get(HARDWARE_REVISION)),
        firmware_revision=_text(values.get(FIRMWARE_REVISION)),
        software_revision=_text(values.get(SOFTWARE_REVISION)),
        battery_pct=battery.battery_pct if battery else None,
        location=location.name if location else None,
        crank_length_mm=crank_length_mm,
        feature_bits=feature.bits if feature else None,
    )


async def _crank_length_mm(link: BluetoothLink) -> float | None:
    feature = _decoded(CyclingPowerFeature, link.values.get(CYCLING_POWER_FEATURE))
    if feature is None or not feature.has(FeatureBit.CRANK_LENGTH):
        return None
    try:
        control_point = await link.control_point()
        if control_point is None:
            return None
        request = bytes(ControlPointRequest(OpCode.REQUEST_CRANK_LENGTH))
        answer = await control_point.ask(request, _CRANK_LENGTH_S)
        return ControlPointResponse.from_bytes(answer).crank_length_mm
    except Exception:  # noqa: BLE001 - one value less; a lost link shows by itself
        return None


def _text(value: bytes | None) -> str | None:
    return DeviceInformation.from_bytes(value).text or None if value is not None else None


def _decoded(kind: type[D], value: bytes | None) -> D | None:
    if value is None:
        return None
    try:
        return kind.from_bytes(value)
    except NotUnderstood:
        return None
