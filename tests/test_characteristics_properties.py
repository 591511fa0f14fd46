"""What holds for any bytes and any values: no surprise on decoding, and the way back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analysis.characteristics.battery_level import BatteryLevel
from analysis.characteristics.cycling_power_control_point import ControlPointRequest, ControlPointResponse
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature, FeatureBit
from analysis.characteristics.cycling_power_measurement import CyclingPowerMeasurement
from analysis.characteristics.cycling_speed_cadence import CyclingSpeedCadence
from analysis.characteristics.device_information import DeviceInformation
from analysis.characteristics.indoor_bike_data import IndoorBikeData
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import decode_fields
from analysis.characteristics.sensor_location import LOCATION_NAMES, SensorLocation
from analysis.characteristics.temperature import Temperature
from analysis.errors import WattproofError

DECODERS: list[Any] = [
    BatteryLevel,
    ControlPointRequest,
    ControlPointResponse,
    CyclingPowerFeature,
    CyclingPowerMeasurement,
    CyclingSpeedCadence,
    DeviceInformation,
    IndoorBikeData,
    SensorLocation,
    Temperature,
]
# Bits that the standard reserves are ignored on decoding, so that they do not come back on encoding.
DEFINED_FLAGS = {CyclingPowerMeasurement: (2, 0x1FFF), CyclingSpeedCadence: (1, 0x03), IndoorBikeData: (2, 0x1FFF)}

u8, u16, u24, u32 = (st.integers(0, (1 << bits) - 1) for bits in (8, 16, 24, 32))
s16 = st.integers(-0x8000, 0x7FFF)
angle = st.integers(0, 0xFFF)


def groups(*choices: dict[str, st.SearchStrategy[int]]) -> st.SearchStrategy[dict[str, int]]:
    """Each group of fields wholly there or wholly absent."""
    absent: st.SearchStrategy[dict[str, int]] = st.just({})
    return st.tuples(*(absent | st.fixed_dictionaries(c) for c in choices)).map(
        lambda parts: {name: value for part in parts for name, value in part.items()}
    )


WHEEL = {"wheel_revolutions": u32, "wheel_event_ticks": u16}
CRANK = {"crank_revolutions": u16, "crank_event_ticks": u16}
measurements = st.builds(
    lambda power_w, fields, **rest: CyclingPowerMeasurement(power_w=power_w, **fields, **rest),
    s16,
    groups(
        {"balance_raw": u8},
        {"accumulated_torque_raw": u16},
        WHEEL,
        CRANK,
        {"force_max_n": s16, "force_min_n": s16},
        {"torque_max_raw": s16, "torque_min_raw": s16},
        {"angle_max_deg": angle, "angle_min_deg": angle},
        {"top_dead_spot_deg": u16},
        {"bottom_dead_spot_deg": u16},
        {"accumulated_energy_kj": u16},
    ),
    balance_reference=st.sampled_from(["left", "unknown"]),
    torque_source=st.sampled_from(["crank", "wheel"]),
    offset_compensated=st.booleans(),
    trailing=st.binary(max_size=5),
)
speeds_and_cadences = groups(WHEEL, CRANK).map(lambda fields: CyclingSpeedCadence(**fields))  # type: ignore[arg-type]
INDOOR_GROUPS = (
    {"speed_raw": u16},
    {"average_speed_raw": u16},
    {"cadence_raw": u16},
    {"average_cadence_raw": u16},
    {"distance_m": u24},
    {"resistance_level": u8},
    {"power_w": s16},
    {"average_power_w": s16},
    {"energy_kcal": u16, "energy_per_hour_kcal": u16, "energy_per_minute_kcal": u8},
    {"heart_rate_bpm": u8},
    {"metabolic_equivalent_raw": u8},
    {"elapsed_s": u16},
    {"remaining_s": u16},
)
indoor_rides = groups(*INDOOR_GROUPS).map(lambda fields: IndoorBikeData(**fields))  # type: ignore[arg-type]


@pytest.mark.parametrize("decoder", DECODERS, ids=lambda d: d.__name__)
@given(data=st.binary(max_size=40) | st.binary(max_size=600))
def test_any_bytes_decode_or_are_not_understood_and_come_back(decoder: Any, data: bytes) -> None:
    try:
        decoded = decoder.from_bytes(data)
    except NotUnderstood:
        return
    again = bytes(decoded)
    assert decoder.from_bytes(again) == decoded
    if decoder in DEFINED_FLAGS:
        size, defined = DEFINED_FLAGS[decoder]
        flags = int.from_bytes(data[:size], "little") & defined
        assert again == flags.to_bytes(size, "little") + data[size:]
    elif decoder is not DeviceInformation:
        assert again == data


@given(
    characteristic=st.sampled_from(["2a63", "2a5b", "2ad2", "2a19", "2a6e", "2a65", "2a5d", "2a66", "2a29", "ffff"]),
    data=st.binary(max_size=40) | st.binary(max_size=600),
)
@example(characteristic="2a63", data=b"\xff" * 34)
def test_any_bytes_of_any_characteristic_give_finite_columns(characteristic: str, data: bytes) -> None:
    try:
        fields = decode_fields(characteristic, data)
    except NotUnderstood:
        return
    assert all(isinstance(value, str) or abs(value) < 2**33 for value in fields.values())


def test_the_error_can_be_caught_as_ours_and_as_a_value_error() -> None:
    assert issubclass(NotUnderstood, WattproofError)
    assert issubclass(NotUnderstood, ValueError)


@given(measurements)
def test_power_measurement_comes_back(measurement: CyclingPowerMeasurement) -> None:
    assert CyclingPowerMeasurement.from_bytes(bytes(measurement)) == measurement


@given(measurements)
def test_columns_and_object_are_one_truth(measurement: CyclingPowerMeasurement) -> None:
    ours = {
        "power_w": measurement.power_w,
        "balance_left_pct": measurement.balance_pct,
        "balance_reference": None if measurement.balance_pct is None else measurement.balance_reference,
        "accumulated_torque_nm": measurement.accumulated_torque_nm,
        "torque_source": None if measurement.accumulated_torque_raw is None else measurement.torque_source,
        "wheel_revolutions": measurement.wheel_revolutions,
        "wheel_event_s": measurement.wheel_event_s,
        "crank_revolutions": measurement.crank_revolutions,
        "crank_event_s": measurement.crank_event_s,
        "force_max_n": measurement.force_max_n,
        "force_min_n": measurement.force_min_n,
        "torque_max_nm": None if measurement.torque_max_raw is None else measurement.torque_max_raw / 32,
        "torque_min_nm": None if measurement.torque_min_raw is None else measurement.torque_min_raw / 32,
        "angle_max_deg": measurement.angle_max_deg,
        "angle_min_deg": measurement.angle_min_deg,
        "top_dead_spot_deg": measurement.top_dead_spot_deg,
        "bottom_dead_spot_deg": measurement.bottom_dead_spot_deg,
        "accumulated_energy_kj": measurement.accumulated_energy_kj,
        "offset_compensated": measurement.offset_compensated,
    }
    present = {column: value for column, value in ours.items() if value is not None}
    assert decode_fields("2a63", bytes(measurement)) == present


@given(speeds_and_cadences)
def test_speed_and_cadence_come_back(measurement: CyclingSpeedCadence) -> None:
    assert CyclingSpeedCadence.from_bytes(bytes(measurement)) == measurement


@given(indoor_rides, st.sampled_from([1, 2]))
def test_indoor_bike_data_come_back_in_either_width(ride: IndoorBikeData, width: int) -> None:
    fields = {name: getattr(ride, name) for name in ride.__slots__ if name != "resistance_bytes"}
    written = IndoorBikeData(**fields, resistance_bytes=1 if width == 1 else 2)
    read = IndoorBikeData.from_bytes(bytes(written))
    assert {name: getattr(read, name) for name in fields} == fields


@pytest.mark.parametrize(
    "make",
    [
        lambda: CyclingPowerMeasurement(power_w=32768),
        lambda: CyclingPowerMeasurement(power_w=1, crank_revolutions=3),
        lambda: CyclingPowerMeasurement(power_w=1, angle_max_deg=3),
        lambda: CyclingPowerMeasurement(power_w=1, angle_max_deg=3, angle_min_deg=4096),
        lambda: IndoorBikeData(distance_m=1 << 24),
        lambda: BatteryLevel(300),
    ],
)
def test_values_that_cannot_be_sent_are_refused(make: Callable[[], Any]) -> None:
    with pytest.raises(ValueError):
        bytes(make())


def test_locations_by_name_and_beyond_the_list() -> None:
    assert [SensorLocation.named(name).name for name in LOCATION_NAMES] == list(LOCATION_NAMES)
    assert SensorLocation.from_bytes(b"\x11").name == "reserved location 17"


def test_features_of_a_pair_of_pedals() -> None:
    # Bits by the GATT Specification Supplement: 0, 1, 3, 9, 11, 12, 16, 19 and the pair 20-21 = 0b10.
    feature = CyclingPowerFeature.from_bytes(bytes.fromhex("0b1a2900"))
    assert [bit for bit in FeatureBit if feature.has(bit)] == [0, 1, 3, 9, 11, 12, 16, 19]
    assert feature.measures_torque
    assert feature.distributed == "yes"
    assert CyclingPowerFeature.from_bytes(bytes.fromhex("08001000")).distributed == "no"
    assert CyclingPowerFeature.of(FeatureBit.CRANK_REVOLUTIONS, FeatureBit.CRANK_LENGTH).bits == 0x1008


def test_device_strings_are_made_harmless() -> None:
    assert DeviceInformation.from_bytes(b"Alder 2\0\0").text == "Alder 2"
    assert DeviceInformation.from_bytes(b"A\x1b[2J\xff").text == "A\ufffd[2J\ufffd"
    assert len(DeviceInformation.from_bytes(b"x" * 100_000).text) <= 64
