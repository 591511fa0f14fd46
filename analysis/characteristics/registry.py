"""Which decoder belongs to which characteristic, and which columns of a recording it fills."""

from __future__ import annotations

from collections.abc import Callable

from analysis.characteristics import (
    battery_level,
    cycling_power_measurement,
    cycling_speed_cadence,
    indoor_bike_data,
    temperature,
)
from analysis.characteristics.byte_fields import ColumnValue
from analysis.characteristics.cycling_power_control_point import RESPONSE, ControlPointRequest, ControlPointResponse
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature
from analysis.characteristics.fitness_machine_control_point import RESPONSE as TRAINER_RESPONSE
from analysis.characteristics.fitness_machine_control_point import FitnessMachineRequest, FitnessMachineResponse
from analysis.characteristics.sensor_location import SensorLocation

# Raised whenever the same bytes come to give other values, so that older recordings are decoded again.
DECODER_VERSION: int = 1

CYCLING_POWER_SERVICE = "1818"
SPEED_CADENCE_SERVICE = "1816"
FITNESS_MACHINE_SERVICE = "1826"
DEVICE_INFORMATION_SERVICE = "180a"
BATTERY_SERVICE = "180f"
ENVIRONMENTAL_SENSING_SERVICE = "181a"

CYCLING_POWER_MEASUREMENT = "2a63"
CYCLING_POWER_FEATURE = "2a65"
CYCLING_POWER_CONTROL_POINT = "2a66"
SENSOR_LOCATION = "2a5d"
SPEED_CADENCE_MEASUREMENT = "2a5b"
FITNESS_MACHINE_FEATURE = "2acc"
INDOOR_BIKE_DATA = "2ad2"
TRAINING_STATUS = "2ad3"
SUPPORTED_LEVELS = "2ad6"
SUPPORTED_POWERS = "2ad8"
FITNESS_MACHINE_CONTROL_POINT = "2ad9"
FITNESS_MACHINE_STATUS = "2ada"
BATTERY_LEVEL = "2a19"
TEMPERATURE = "2a6e"
MODEL = "2a24"
SERIAL = "2a25"
FIRMWARE_REVISION = "2a26"
HARDWARE_REVISION = "2a27"
SOFTWARE_REVISION = "2a28"
MANUFACTURER = "2a29"


def decode_fields(characteristic: str, payload: bytes) -> dict[str, ColumnValue]:
    """The columns that one payload fills, by name; none where the characteristic has no decoder.

    Raises `NotUnderstood` for bytes that the characteristic does not allow.
    """
    decoder = _COLUMNS.get(characteristic)
    return decoder(payload) if decoder else {}


def _feature_columns(payload: bytes) -> dict[str, ColumnValue]:
    CyclingPowerFeature.from_bytes(payload)
    return {}


def _location_columns(payload: bytes) -> dict[str, ColumnValue]:
    SensorLocation.from_bytes(payload)
    return {}


def _control_point_columns(payload: bytes) -> dict[str, ColumnValue]:
    if payload[:1] == bytes([RESPONSE]):
        ControlPointResponse.from_bytes(payload)
    else:
        ControlPointRequest.from_bytes(payload)
    return {}


def _trainer_columns(payload: bytes) -> dict[str, ColumnValue]:
    if payload[:1] == bytes([TRAINER_RESPONSE]):
        FitnessMachineResponse.from_bytes(payload)
    else:
        FitnessMachineRequest.from_bytes(payload)
    return {}


_COLUMNS: dict[str, Callable[[bytes], dict[str, ColumnValue]]] = {
    CYCLING_POWER_MEASUREMENT: cycling_power_measurement.columns,
    SPEED_CADENCE_MEASUREMENT: cycling_speed_cadence.columns,
    INDOOR_BIKE_DATA: indoor_bike_data.columns,
    BATTERY_LEVEL: battery_level.columns,
    TEMPERATURE: temperature.columns,
    # These fill no column, but bytes that break the standard are to be noticed all the same.
    CYCLING_POWER_FEATURE: _feature_columns,
    SENSOR_LOCATION: _location_columns,
    CYCLING_POWER_CONTROL_POINT: _control_point_columns,
    FITNESS_MACHINE_CONTROL_POINT: _trainer_columns,
}
