"""Decoders against packets written out by hand from the published layouts, and some that devices have sent."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from analysis.characteristics.battery_level import BatteryLevel
from analysis.characteristics.cycling_power_control_point import ControlPointRequest, ControlPointResponse, OpCode
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature
from analysis.characteristics.cycling_power_measurement import CyclingPowerMeasurement
from analysis.characteristics.cycling_speed_cadence import CyclingSpeedCadence
from analysis.characteristics.indoor_bike_data import IndoorBikeData
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import decode_fields
from analysis.characteristics.sensor_location import SensorLocation

SHARED_VECTORS = Path(__file__).resolve().parents[1].parent / "shared" / "checks" / "vectors.json"

# Packet, then every column it must give. Layouts and units: Bluetooth SIG, GATT Specification Supplement (2026);
# the numbers were worked out by hand from it and cross-read with a general protocol analyser. "device" marks bytes
# printed by users of devices in public issue threads together with the values that they expected.
COLUMNS = [
    ("2a63", "0000fa00", {"power_w": 250}),
    ("2a63", "00009cff", {"power_w": -100}),
    ("2a63", "0000ff7f", {"power_w": 32767}),
    ("2a63", "03002c0161", {"power_w": 300, "balance_left_pct": 48.5, "balance_reference": "left"}),
    ("2a63", "01002c0164", {"power_w": 300, "balance_left_pct": 50.0, "balance_reference": "unknown"}),
    ("2a63", "03002c0100", {"power_w": 300, "balance_left_pct": 0.0, "balance_reference": "left"}),
    ("2a63", "03002c01c8", {"power_w": 300, "balance_left_pct": 100.0, "balance_reference": "left"}),
    ("2a63", "0c00fa002003", {"power_w": 250, "accumulated_torque_nm": 25.0, "torque_source": "crank"}),
    ("2a63", "1000fa00102700000008", {"power_w": 250, "wheel_revolutions": 10000, "wheel_event_s": 1.0}),
    (
        "2a63",
        "1000fa00ffffffffffff",
        {"power_w": 250, "wheel_revolutions": 4294967295, "wheel_event_s": 31.99951171875},
    ),
    ("2a63", "2000fa0064000004", {"power_w": 250, "crank_revolutions": 100, "crank_event_s": 1.0}),
    (
        "2a63",
        "2f00e60066200364000004",
        {
            "power_w": 230,
            "balance_left_pct": 51.0,
            "balance_reference": "left",
            "accumulated_torque_nm": 25.0,
            "torque_source": "crank",
            "crank_revolutions": 100,
            "crank_event_s": 1.0,
        },
    ),
    (
        "2a63",
        "1400e6002003102700000008",
        {
            "power_w": 230,
            "accumulated_torque_nm": 25.0,
            "torque_source": "wheel",
            "wheel_revolutions": 10000,
            "wheel_event_s": 1.0,
        },
    ),
    ("2a63", "4000fa0090019cff", {"power_w": 250, "force_max_n": 400, "force_min_n": -100}),
    # By arithmetic on the layout: 640/32 and -16/32 N·m.
    ("2a63", "8000fa008002f0ff", {"power_w": 250, "torque_max_nm": 20.0, "torque_min_nm": -0.5}),
    # The packing example printed in the Supplement itself: greatest 0xABC, least 0x123.
    ("2a63", "0001fa00bc3a12", {"power_w": 250, "angle_max_deg": 2748, "angle_min_deg": 291}),
    ("2a63", "0006fa000a00be00", {"power_w": 250, "top_dead_spot_deg": 10, "bottom_dead_spot_deg": 190}),
    ("2a63", "0008fa007b00", {"power_w": 250, "accumulated_energy_kj": 123}),
    ("2a63", "00100000", {"power_w": 0, "offset_compensated": True}),
    (  # device
        "2a63",
        "2c0000009f000c00e542",
        {
            "power_w": 0,
            "accumulated_torque_nm": 4.96875,
            "torque_source": "crank",
            "crank_revolutions": 12,
            "crank_event_s": 17125 / 1024,
        },
    ),
    ("2a63", "0000fa00ffff", {"power_w": 250}),  # two bytes too many
    ("2a63", "00e0fa00", {"power_w": 250}),  # reserved flags
    ("2a63", "03002c01c9", {"power_w": 300}),  # balance of 100.5 %
    (
        "2a5b",
        "03102700000004e8030004",
        {"wheel_revolutions": 10000, "wheel_event_s": 1.0, "crank_revolutions": 1000, "crank_event_s": 1.0},
    ),
    ("2a5b", "01102700000008", {"wheel_revolutions": 10000, "wheel_event_s": 2.0}),
    ("2a5b", "02e8030004", {"crank_revolutions": 1000, "crank_event_s": 1.0}),
    (  # device
        "2a5b",
        "030000000010012100c6eb",
        {
            "wheel_revolutions": 0,
            "wheel_event_s": 272 / 1024,
            "crank_revolutions": 33,
            "crank_event_s": 60358 / 1024,
        },
    ),
    ("2ad2", "4400d007b400fa00", {"speed_kmh": 20.0, "cadence_rpm": 90.0, "power_w": 250}),
    ("2ad2", "4100f6ff", {"power_w": -10}),
    ("2ad2", "4402aa052e00180046", {"speed_kmh": 14.5, "cadence_rpm": 23.0, "power_w": 24}),  # device
    (  # one-byte resistance
        "2ad2",
        "fe1fc409d007b400b20010270014fa00f000640058020a8c55100e080f",
        {
            "speed_kmh": 25.0,
            "cadence_rpm": 90.0,
            "distance_m": 10000,
            "resistance_level": 20,
            "power_w": 250,
            "elapsed_s": 3600,
        },
    ),
    (  # two-byte resistance, Fitness Machine Service 1.0
        "2ad2",
        "fe1fc409d007b400b2001027001400fa00f000640058020a8c55100e080f",
        {
            "speed_kmh": 25.0,
            "cadence_rpm": 90.0,
            "distance_m": 10000,
            "resistance_level": 20,
            "power_w": 250,
            "elapsed_s": 3600,
        },
    ),
    ("2a19", "64", {"battery_pct": 100}),
    ("2a19", "65", {}),  # above 100 is reserved
    ("2a6e", "ca08", {"temperature_c": 22.5}),
    ("2a6e", "0cfe", {"temperature_c": -5.0}),
    ("2a6e", "0080", {}),  # "value is not known"
    ("2a65", "0b1a2900", {}),
    ("2a5d", "08", {}),
    ("2a66", "0c", {}),
    ("2a29", "41", {}),
    ("fff0", "", {}),
]

MALFORMED = [
    ("2a63", ""),
    ("2a63", "00"),
    ("2a63", "0000fa"),
    ("2a63", "0100fa00"),
    ("2a63", "3000fa0064000004"),  # wheel and crank announced, bytes for the crank alone
    ("2a63", "0c00fa0020"),
    ("2a5b", ""),
    ("2a5b", "011027"),
    ("2a5b", "03e8030004"),
    ("2ad2", "44"),
    ("2ad2", "4400d007b400"),
    ("2a19", ""),
    ("2a6e", "ca"),
    ("2a65", "0b1a29"),
    ("2a5d", ""),
    ("2a66", ""),
    ("2a66", "0459"),  # crank length cut in half
    ("2a66", "200c"),
    ("2a66", "200c01f4"),
    ("2a66", "201001f401470002aa"),  # two bytes of the maker announced, one there
]


@pytest.mark.parametrize(("characteristic", "packet", "expected"), COLUMNS)
def test_packet_gives_these_columns(characteristic: str, packet: str, expected: dict[str, Any]) -> None:
    if characteristic == "2a63":
        expected = {"offset_compensated": False} | expected
    assert decode_fields(characteristic, bytes.fromhex(packet)) == expected


@pytest.mark.parametrize(("characteristic", "packet"), MALFORMED)
def test_packet_is_refused_with_a_reason(characteristic: str, packet: str) -> None:
    with pytest.raises(NotUnderstood) as caught:
        decode_fields(characteristic, bytes.fromhex(packet))
    assert caught.value.reason


def test_reason_says_how_much_is_missing() -> None:
    with pytest.raises(NotUnderstood, match="too short, 4 bytes where its flags announce 5"):
        CyclingPowerMeasurement.from_bytes(bytes.fromhex("0100fa00"))


def test_what_is_tolerated_stays_visible() -> None:
    assert CyclingPowerMeasurement.from_bytes(bytes.fromhex("0000fa00ffff")).trailing == b"\xff\xff"
    too_much = CyclingPowerMeasurement.from_bytes(bytes.fromhex("03002c01c9"))
    assert (too_much.balance_raw, too_much.balance_pct) == (201, None)
    assert BatteryLevel.from_bytes(b"\x65") == BatteryLevel(101)
    assert BatteryLevel(101).battery_pct is None


def _names(named: dict[str, Any], **ours: str) -> dict[str, Any]:
    """Their fields by our attribute names, without what our objects do not hold."""
    return {ours.get(name, name): value for name, value in named.items() if ours.get(name, name)}


def _measured(decode: type[CyclingPowerMeasurement | CyclingSpeedCadence | IndoorBikeData]) -> Callable[..., None]:
    def check(data: bytes, expected: dict[str, Any]) -> None:
        wanted = _names(
            expected,
            flags="",
            balance_ref="balance_reference",
            acc_torque_raw="accumulated_torque_raw",
            acc_torque_nm="accumulated_torque_nm",
            wheel_revs="wheel_revolutions",
            wheel_time_raw="wheel_event_ticks",
            wheel_time_s="wheel_event_s",
            crank_revs="crank_revolutions",
            crank_time_raw="crank_event_ticks",
            crank_time_s="crank_event_s",
            tds_deg="top_dead_spot_deg",
            bds_deg="bottom_dead_spot_deg",
            energy_kj="accumulated_energy_kj",
            offset_compensation_indicator="offset_compensated",
            avg_speed_kmh="",
            avg_cadence_rpm="",
            avg_power_w="average_power_w",
            resistance_raw="resistance_level",
            energy_per_h_kcal="energy_per_hour_kcal",
            energy_per_min_kcal="energy_per_minute_kcal",
            heart_rate="heart_rate_bpm",
            met="",
        )
        decoded = decode.from_bytes(data)
        assert {name: getattr(decoded, name) for name in wanted} == wanted
        if isinstance(decoded, IndoorBikeData):
            averages = decoded.average_speed_raw, decoded.average_cadence_raw, decoded.metabolic_equivalent_raw
            theirs = [expected.get(k) for k in ("avg_speed_kmh", "avg_cadence_rpm", "met")]
            assert [a and a / d for a, d in zip(averages, (100, 2, 10), strict=True)] == theirs

    return check


def _check_feature(data: bytes, expected: dict[str, Any]) -> None:
    feature = CyclingPowerFeature.from_bytes(data)
    assert feature.bits == expected["value"]
    assert [bit for bit in range(32) if feature.bits >> bit & 1] == expected["set_bits"]


def _check_location(data: bytes, expected: dict[str, Any]) -> None:
    location = SensorLocation.from_bytes(data)
    assert (location.code, location.name) == (expected["location"], expected["name"])


def _check_battery(data: bytes, expected: dict[str, Any]) -> None:
    battery = BatteryLevel.from_bytes(data)
    assert battery.raw == expected.get("percent", expected.get("percent_raw"))
    assert battery.battery_pct == expected.get("percent")


def _check_control_point(data: bytes, expected: dict[str, Any]) -> None:
    if expected["op"] != 0x20:
        request = ControlPointRequest.from_bytes(data)
        assert request.op_code == expected["op"]
        if "crank_length_mm" in expected:
            assert request.crank_length_mm == expected["crank_length_mm"]
        else:
            assert request.value == next((v for k, v in expected.items() if k != "op"), None)
        return
    response = ControlPointResponse.from_bytes(data)
    offset = response.zero_offset(measures_torque=True)
    raw = expected.get("offset_raw")
    assert (offset.raw if offset else None) == (None if raw == -1 else raw)
    ours = {
        "request": response.request_op_code,
        "result": response.result,
        "crank_length_mm": response.crank_length_mm,
        "company_id": response.company_id,
        "mfg": response.manufacturer_data.hex(),
        "n_mfg": len(response.manufacturer_data),
        "error": response.parameter[0] if response.parameter else None,
        "sampling_hz": response.sampling_rate_hz,
        "date": response.factory_calibration_date,
        "locations": list(response.locations),
    }
    wanted = {name: value for name, value in expected.items() if name not in ("op", "offset_raw")}
    assert {name: ours[name] for name in wanted} == wanted


CHECKS: dict[str, Callable[[bytes, dict[str, Any]], None]] = {
    "0x2A63": _measured(CyclingPowerMeasurement),
    "0x2A5B": _measured(CyclingSpeedCadence),
    "0x2AD2": _measured(IndoorBikeData),
    "0x2A65": _check_feature,
    "0x2A5D": _check_location,
    "0x2A66": _check_control_point,
    "0x2A19": _check_battery,
}


@pytest.mark.skipif(not SHARED_VECTORS.exists(), reason="the collection of check packets is not on this machine")
def test_the_whole_collection_of_packets() -> None:
    vectors = json.loads(SHARED_VECTORS.read_text())["vectors"]
    checked = 0
    for vector in vectors:
        data, short_name = bytes.fromhex(vector["hex"]), vector["characteristic"][2:].lower()
        if short_name == "2a64":  # not a characteristic that is recorded
            continue
        if vector["kind"] == "malformed":
            with pytest.raises(NotUnderstood):
                decode_fields(short_name, data)
        else:
            CHECKS[vector["characteristic"]](data, vector["expected"])
            decode_fields(short_name, data)
        checked += 1
    assert checked == len(vectors) - 2


def test_control_point_answers() -> None:
    # Layout of the answers: open-source BTstack; op codes and results: GATT Specification Supplement.
    torque = ControlPointResponse.from_bytes(bytes.fromhex("200c01f401")).zero_offset(measures_torque=True)
    assert torque is not None
    assert (torque.raw, torque.unit, torque.offset_nm) == (500, "1/32 N·m", 15.625)
    force = ControlPointResponse.from_bytes(bytes.fromhex("200c01f4ff")).zero_offset(measures_torque=False)
    assert force is not None
    assert (force.raw, force.unit, force.offset_nm) == (-12, "N", None)
    assert ControlPointResponse.from_bytes(bytes.fromhex("200c01ffff")).zero_offset(True) is None
    assert ControlPointResponse.from_bytes(bytes.fromhex("200c01")).zero_offset(True) is None
    assert ControlPointResponse.from_bytes(bytes.fromhex("2005015901")).crank_length_mm == 172.5
    assert ControlPointResponse.from_bytes(bytes.fromhex("200f01ea07060f0c1e00")).factory_calibration_date == (
        "2026-06-15T12:30:00"
    )
    assert ControlPointResponse.from_bytes(bytes.fromhex("200f01ea07000f0c1e00")).factory_calibration_date is None
    assert ControlPointResponse.from_bytes(bytes.fromhex("20030105060708")).locations == (5, 6, 7, 8)


@pytest.mark.parametrize(
    ("packet", "words"),
    [
        ("200c01", "success"),
        ("201002", "not supported by this sensor"),
        ("200403", "the sensor does not accept the value"),
        ("200c04", "the sensor says that it failed"),
        ("20100401", "the cranks stand in a position that the sensor does not accept"),
        ("200c09", "result 9, which the standard reserves"),
    ],
)
def test_results_in_words(packet: str, words: str) -> None:
    assert ControlPointResponse.from_bytes(bytes.fromhex(packet)).result_words == words


def test_control_point_packets_as_sent() -> None:
    assert bytes(ControlPointRequest(OpCode.START_OFFSET_COMPENSATION)).hex() == "0c"
    assert bytes(ControlPointRequest(OpCode.SET_CRANK_LENGTH, 345)).hex() == "045901"
    assert bytes(ControlPointResponse.answering(OpCode.REQUEST_CRANK_LENGTH, 345)).hex() == "2005015901"
    assert bytes(ControlPointResponse.answering(OpCode.START_OFFSET_COMPENSATION, -12)).hex() == "200c01f4ff"


@pytest.mark.parametrize("request_", [(OpCode.SET_CRANK_LENGTH, None), (OpCode.SET_CRANK_LENGTH, 70000), (0x0C, 1)])
def test_request_with_the_wrong_operand_is_not_sent(request_: tuple[int, int | None]) -> None:
    with pytest.raises(ValueError, match="control point request"):
        bytes(ControlPointRequest(*request_))
