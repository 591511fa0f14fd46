"""What is said to a trainer and what it answers: bytes both ways, against the published numbers."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.characteristics.fitness_machine_control_point import (
    FitnessMachineRequest,
    FitnessMachineResponse,
    OpCode,
    Result,
)
from analysis.characteristics.fitness_machine_ranges import (
    LEVEL_BIT,
    POWER_BIT,
    SIMULATION_BIT,
    FitnessMachineFeature,
    LevelRange,
    PowerRange,
)
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import decode_fields

requests = st.one_of(
    st.sampled_from([OpCode.REQUEST_CONTROL, OpCode.RESET, OpCode.START_OR_RESUME]).map(FitnessMachineRequest),
    st.floats(0, 25).map(FitnessMachineRequest.resistance_level),
    st.integers(-(2**15), 2**15 - 1).map(FitnessMachineRequest.target_power),
    st.floats(-300, 300).map(FitnessMachineRequest.slope),
    st.sampled_from([FitnessMachineRequest.stop(), FitnessMachineRequest.pause()]),
)


@pytest.mark.parametrize(
    ("request_", "sent"),
    [
        # Laid out by hand from the Fitness Machine Service 1.0, 4.16, which was written down from memory.
        (FitnessMachineRequest(OpCode.REQUEST_CONTROL), "00"),
        (FitnessMachineRequest(OpCode.RESET), "01"),
        (FitnessMachineRequest.resistance_level(12.5), "047d"),
        (FitnessMachineRequest.target_power(250), "05fa00"),
        (FitnessMachineRequest(OpCode.START_OR_RESUME), "07"),
        (FitnessMachineRequest.stop(), "0801"),
        (FitnessMachineRequest.pause(), "0802"),
        (FitnessMachineRequest.slope(3.0), "1100002c012833"),
    ],
)
def test_requests_as_they_go_over_the_air(request_: FitnessMachineRequest, sent: str) -> None:
    assert bytes(request_).hex() == sent


@given(requests, st.binary(max_size=3))
def test_a_request_reads_back_with_whatever_follows(request_: FitnessMachineRequest, more: bytes) -> None:
    read = FitnessMachineRequest.from_bytes(bytes(request_) + more)
    assert (read.op_code, read.values, read.trailing) == (request_.op_code, request_.values, more)
    assert bytes(read) == bytes(request_) + more


@given(st.binary(max_size=12))
def test_any_bytes_are_a_request_a_response_or_not_understood(data: bytes) -> None:
    for kind in (FitnessMachineRequest, FitnessMachineResponse, FitnessMachineFeature, PowerRange, LevelRange):
        try:
            found = kind.from_bytes(data)
        except NotUnderstood:
            continue
        assert data.startswith(bytes(found))
        assert isinstance(found, FitnessMachineFeature | PowerRange | LevelRange) or bytes(found) == data


@given(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=4))
def test_a_response_reads_back(op_code: int, result: int, parameter: bytes) -> None:
    response = FitnessMachineResponse(op_code, result, parameter)
    assert FitnessMachineResponse.from_bytes(bytes(response)) == response
    assert response.result_words


def test_values_in_their_units() -> None:
    assert FitnessMachineRequest.from_bytes(b"\x04\x7d").level == 12.5
    assert FitnessMachineRequest.from_bytes(b"\x05\xfa\x00").power_w == 250
    assert FitnessMachineRequest.from_bytes(bytes.fromhex("1100002c012833")).slope_pct == 3.0
    assert FitnessMachineRequest(OpCode.RESET).power_w is None


@pytest.mark.parametrize(
    "wrong",
    [
        FitnessMachineRequest(OpCode.SET_TARGET_POWER),
        FitnessMachineRequest(OpCode.RESET, (1,)),
        FitnessMachineRequest.resistance_level(25.6),
        FitnessMachineRequest.target_power(40000),
    ],
)
def test_what_does_not_fit_is_not_sent(wrong: FitnessMachineRequest) -> None:
    with pytest.raises(ValueError, match="trainer request"):
        bytes(wrong)


def test_half_a_request_in_a_recording_is_noticed() -> None:
    assert decode_fields("2ad9", b"\x05\xfa\x00") == {}
    assert decode_fields("2ad9", b"\x80\x05\x01") == {}
    with pytest.raises(NotUnderstood):
        decode_fields("2ad9", b"\x05\xfa")


def test_a_level_range_of_three_bytes_is_not_guessed_at() -> None:
    with pytest.raises(NotUnderstood):
        LevelRange.from_bytes(b"\x00\x0a\x01")


# -- against the general-purpose library bluetooth-sig 0.6.0 ----------------------------------------------------


def theirs(module: str, name: str) -> Any:
    return getattr(pytest.importorskip(f"bluetooth_sig.gatt.characteristics.{module}"), name)


def test_its_numbers_are_ours() -> None:
    ops = theirs("fitness_machine_control_point", "FitnessMachineControlPointOpCode")
    assert ops.SET_TARGET_RESISTANCE_LEVEL == OpCode.SET_RESISTANCE_LEVEL
    assert ops.SET_INDOOR_BIKE_SIMULATION_PARAMETERS == OpCode.SET_BIKE_SIMULATION
    same = ("REQUEST_CONTROL", "RESET", "SET_TARGET_POWER", "START_OR_RESUME", "STOP_OR_PAUSE")
    assert [ops[name] for name in same] == [OpCode[name] for name in same]
    results = theirs("fitness_machine_control_point", "FitnessMachineResultCode")
    assert [r.value for r in results] == [r.value for r in Result]
    bits = theirs("fitness_machine_feature", "TargetSettingFeatures")
    assert bits.RESISTANCE_TARGET_SETTING_SUPPORTED == 1 << LEVEL_BIT
    assert bits.POWER_TARGET_SETTING_SUPPORTED == 1 << POWER_BIT
    assert bits.INDOOR_BIKE_SIMULATION_PARAMETERS_SUPPORTED == 1 << SIMULATION_BIT


@settings(deadline=None)  # the library takes its time to be imported
@given(requests)
def test_it_reads_our_requests(ours: FitnessMachineRequest) -> None:
    found = theirs("fitness_machine_control_point", "FitnessMachineControlPointCharacteristic")().parse_value(
        bytearray(bytes(ours))
    )
    assert found.op_code == ours.op_code
    assert (found.parameter or b"") == bytes(ours)[1:]


@settings(deadline=None)
@given(st.integers(-100, 100), st.integers(100, 3000), st.integers(0, 100))
def test_it_reads_our_power_range(least_w: int, most_w: int, step_w: int) -> None:
    ours = PowerRange(least_w, most_w, step_w)
    found = theirs("supported_power_range", "SupportedPowerRangeCharacteristic")().parse_value(bytearray(bytes(ours)))
    assert (found.minimum, found.maximum, found.minimum_increment) == (least_w, most_w, step_w)
    assert PowerRange.from_bytes(bytes(ours)) == ours
