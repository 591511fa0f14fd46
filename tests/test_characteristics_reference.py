"""Decoders against an independent general-purpose library, `bluetooth-sig` 0.6.0, on valid packets."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given

from analysis.characteristics.cycling_power_measurement import CyclingPowerMeasurement
from analysis.characteristics.cycling_speed_cadence import CyclingSpeedCadence
from analysis.characteristics.indoor_bike_data import IndoorBikeData
from tests.test_characteristics_properties import indoor_rides, measurements, speeds_and_cadences

power = pytest.importorskip("bluetooth_sig.gatt.characteristics.cycling_power_measurement")
cadence = pytest.importorskip("bluetooth_sig.gatt.characteristics.csc_measurement")
indoor = pytest.importorskip("bluetooth_sig.gatt.characteristics.indoor_bike_data")

POWER = power.CyclingPowerMeasurementCharacteristic()
CADENCE = cadence.CSCMeasurementCharacteristic()
INDOOR = indoor.IndoorBikeDataCharacteristic()


def scaled(raw: int | None, divisor: int) -> float | None:
    return None if raw is None else raw / divisor


@given(measurements)
def test_power_measurement(ours: CyclingPowerMeasurement) -> None:
    theirs: Any = POWER.parse_value(bytearray(bytes(ours)))
    assert theirs.instantaneous_power == ours.power_w
    # It takes 0xFF for "unknown", which the Supplement does not define, and lets 100.5 to 127 % pass.
    if ours.balance_raw is None or ours.balance_raw <= 200:
        assert theirs.pedal_power_balance == ours.balance_pct
    assert theirs.accumulated_torque == ours.accumulated_torque_nm
    assert theirs.cumulative_wheel_revolutions == ours.wheel_revolutions
    assert theirs.last_wheel_event_time == ours.wheel_event_s
    assert theirs.cumulative_crank_revolutions == ours.crank_revolutions
    assert theirs.last_crank_event_time == ours.crank_event_s
    assert (theirs.maximum_force_magnitude, theirs.minimum_force_magnitude) == (ours.force_max_n, ours.force_min_n)
    assert theirs.maximum_torque_magnitude == scaled(ours.torque_max_raw, 32)
    assert theirs.minimum_torque_magnitude == scaled(ours.torque_min_raw, 32)
    assert (theirs.maximum_angle, theirs.minimum_angle) == (ours.angle_max_deg, ours.angle_min_deg)
    assert theirs.top_dead_spot_angle == ours.top_dead_spot_deg
    assert theirs.bottom_dead_spot_angle == ours.bottom_dead_spot_deg
    assert theirs.accumulated_energy == ours.accumulated_energy_kj


@given(speeds_and_cadences)
def test_speed_and_cadence(ours: CyclingSpeedCadence) -> None:
    theirs: Any = CADENCE.parse_value(bytearray(bytes(ours)))
    assert theirs.cumulative_wheel_revolutions == ours.wheel_revolutions
    assert theirs.last_wheel_event_time == ours.wheel_event_s
    assert theirs.cumulative_crank_revolutions == ours.crank_revolutions
    assert theirs.last_crank_event_time == ours.crank_event_s


@given(indoor_rides)
def test_indoor_bike_data_with_one_byte_of_resistance(ours: IndoorBikeData) -> None:
    fields = {name: getattr(ours, name) for name in ours.__slots__} | {"resistance_bytes": 1}
    theirs: Any = INDOOR.parse_value(bytearray(bytes(IndoorBikeData(**fields))))
    assert theirs.instantaneous_speed == scaled(ours.speed_raw, 100)
    assert theirs.average_speed == scaled(ours.average_speed_raw, 100)
    assert theirs.instantaneous_cadence == scaled(ours.cadence_raw, 2)
    assert theirs.average_cadence == scaled(ours.average_cadence_raw, 2)
    assert theirs.total_distance == ours.distance_m
    # It multiplies the level by ten, which neither of the standard's papers does: only its presence is compared.
    assert (theirs.resistance_level is None) == (ours.resistance_level is None)
    assert (theirs.instantaneous_power, theirs.average_power) == (ours.power_w, ours.average_power_w)
    assert theirs.total_energy == ours.energy_kcal
    assert theirs.energy_per_hour == ours.energy_per_hour_kcal
    assert theirs.energy_per_minute == ours.energy_per_minute_kcal
    assert theirs.heart_rate == ours.heart_rate_bpm
    assert theirs.metabolic_equivalent == scaled(ours.metabolic_equivalent_raw, 10)
    assert (theirs.elapsed_time, theirs.remaining_time) == (ours.elapsed_s, ours.remaining_s)
