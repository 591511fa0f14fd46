"""FIT files written by the independent library fit-tool, read back field by field; and one that a device recorded."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import BadRideFile
from analysis.ride_files.opening import read_ride_file
from analysis.ride_files.record_payload import decode_record
from analysis.ride_files.ride_file import Keep, RideFile, Span
from tests.fit_files import FIT_S, RECORDER_SERIAL, UTC_S, FitRide, fit_bytes, fit_of, plain_fit

S = 1_000_000_000
RIDE_C = Path(__file__).resolve().parents[1].parent / "shared" / "data" / "ride_c_indoor.fit"


def read(folder: Path, data: bytes, keep: Keep | None = None, name: str = "alder.fit") -> RideFile:
    path = folder / name
    path.write_bytes(data)
    return read_ride_file(path, keep=keep)


def read_or_sentence(folder: Path, data: bytes) -> RideFile | str:
    try:
        return read(folder, data)
    except BadRideFile as fault:
        return str(fault)


def records(folder: Path, *values: Mapping[str, Any], keep: Keep | None = None) -> RideFile:
    return read(folder, fit_bytes(FitRide(list(enumerate(values)))), keep)


def test_every_field_is_read_as_it_was_written(tmp_path: Path) -> None:
    ride = records(
        tmp_path,
        {"power": 200, "cadence": 90, "fractional_cadence": 0.5, "temperature": -7, "enhanced_speed": 8.5},
        {"power": 65534, "cadence": 0, "fractional_cadence": None, "temperature": 21, "enhanced_speed": 0.0},
    )
    assert ride.utc_known
    assert (ride.time_ns - UTC_S * S).tolist() == [0, S]
    assert ride.power_w.tolist()[0] == 200
    assert np.isnan(ride.power_w[1]), "beyond what a meter can send"
    assert ride.cadence_rpm.tolist() == [90.5, 0.0]
    assert ride.column("temperature_c").tolist() == [-7, 21]
    assert ride.column("speed_kmh") == pytest.approx([30.6, 0.0])
    assert any("power is no possible value" in r for r in ride.remarks)


def test_an_older_field_of_the_speed_serves_as_well(tmp_path: Path) -> None:
    assert records(tmp_path, {"power": 1, "speed": 10.0}).column("speed_kmh") == pytest.approx([36.0])


def test_zero_is_a_value_and_invalid_is_missing(tmp_path: Path) -> None:
    power_w = records(tmp_path, {"power": 0}, {"power": None}, {"power": 5}).power_w
    assert power_w[[0, 2]].tolist() == [0, 5]
    assert np.isnan(power_w[1])


@pytest.mark.parametrize(
    ("raw", "left_pct", "reference"),
    [
        (0x80 | 52, 48, "left"),  # FIT profile, left_right_balance: bit 7 set, the low bits are the right share
        (0x80 | 0, 100, "left"),
        (48, 48, "unknown"),  # bit 7 clear: of which side is not told
        (0x80 | 100, 0, "left"),
    ],
)
def test_the_balance_keeps_whose_share_it_is(tmp_path: Path, raw: int, left_pct: float, reference: str) -> None:
    ride = records(tmp_path, {"power": 200, "left_right_balance": raw})
    assert ride.column("balance_left_pct").tolist() == [left_pct]
    assert ride.balance_reference == reference


def test_a_balance_above_a_hundred_is_missing(tmp_path: Path) -> None:
    ride = records(tmp_path, {"power": 200, "left_right_balance": 0x7F})
    assert "balance_left_pct" not in ride.columns


def test_heart_rate_and_position_are_dropped_unless_asked_for(tmp_path: Path) -> None:
    values = {"power": 200, "heart_rate": 140, "position_lat": 51.0}
    assert b"heart" not in records(tmp_path, values).payloads[0]
    assert b"position" not in records(tmp_path, values).payloads[0]
    kept = records(tmp_path, values, keep=Keep(position=True, heart_rate=True)).payloads[0]
    assert b'"heart_rate":140' in kept
    assert b"position_lat" in kept


def test_accumulated_power_stays_in_the_payload(tmp_path: Path) -> None:
    assert b'"accumulated_power":70000' in records(tmp_path, {"power": 1, "accumulated_power": 70000}).payloads[0]


def test_payloads_decode_again_to_the_columns(tmp_path: Path) -> None:
    ride = records(tmp_path, {"power": 200, "cadence": 90, "left_right_balance": 0x80 | 52, "temperature": 20})
    again = decode_record(ride.payloads[0])
    assert again.pop("balance_reference") == "left"
    assert again == {name: column[0] for name, column in ride.columns.items()}


def test_laps_pauses_and_devices(tmp_path: Path) -> None:
    data = fit_of([200.0] * 40, laps=[(0, 20), (20, 39)], pauses=[(25, 30)], meter_serial=77, meter_firmware=3.41)
    ride = read(tmp_path, data)
    at = [UTC_S * S + second * S for second in (0, 20, 39)]
    assert ride.laps == (Span(at[0], at[1], "lap 1"), Span(at[1], at[2], "lap 2"))
    assert [(p.start_ns - at[0], p.stop_ns - at[0]) for p in ride.pauses] == [(25 * S, 30 * S)]
    assert (ride.meter.serial, ride.meter.firmware) == ("77", "3.41")
    assert ride.recorder.serial == str(RECORDER_SERIAL)


def test_a_missing_second_stays_missing_and_stands_for_its_own_step_only(tmp_path: Path) -> None:
    ride = read(tmp_path, fit_of([200.0, 201.0, np.nan, 203.0] + [200.0] * 30))
    assert len(ride.time_ns) == 33
    assert not ride.uneven
    assert ride.hold_s == pytest.approx(1.1)


def test_a_device_that_records_changes_only_is_told(tmp_path: Path) -> None:
    steps = np.cumsum([1, 3, 7, 2, 5, 8, 4] * 6)
    ride = read(tmp_path, fit_bytes(FitRide([(int(at), {"power": 200}) for at in steps])))
    assert ride.uneven
    assert ride.hold_s == 2.5, "no longer than a live sensor: what lies between was not recorded"
    assert any("only now and then" in r for r in ride.remarks)


@pytest.mark.parametrize(("every_s", "told"), [(1, False), (2, False), (3, True), (10, True)])
def test_a_device_that_records_seldom_is_told(tmp_path: Path, every_s: int, told: bool) -> None:
    ride = read(tmp_path, fit_bytes(FitRide([(every_s * n, {"power": 200}) for n in range(40)])))
    words = f"records came every {every_s} s, and a value stands for 2.5 s at most"
    assert any(r.startswith(words) for r in ride.remarks) == told


def test_repeated_and_backward_records_are_put_in_order(tmp_path: Path) -> None:
    values = [(0, {"power": 1}), (1, {"power": 2}), (1, {"cadence": 80}), (3, {"power": 4}), (2, {"power": 3})]
    ride = read(tmp_path, fit_bytes(FitRide(values)))
    assert ride.power_w.tolist() == [1, 2, 3, 4]
    assert ride.cadence_rpm[1] == 80, "the two records of one second are joined"
    assert any("earlier than the one before" in r for r in ride.remarks)
    assert any("a moment that had one already" in r for r in ride.remarks)


def test_a_clock_that_was_set_on_the_way_splits_the_ride(tmp_path: Path) -> None:
    year_s = 365 * 86_400
    values = [(second - year_s, {"power": 7}) for second in range(3)] + [(s, {"power": 200}) for s in range(30)]
    ride = read(tmp_path, fit_bytes(FitRide(values)))
    assert len(ride.time_ns) == 30
    assert any("3 records more than 12 hours away" in r for r in ride.remarks)


def test_time_since_switching_on_is_no_utc(tmp_path: Path) -> None:
    ride = read(tmp_path, plain_fit([(1000, 200, 90), (1001, None, None)]))
    assert not ride.utc_known
    assert ride.time_ns.tolist() == [1000 * S, 1001 * S]
    assert read(tmp_path, plain_fit([(FIT_S, 200, 90)])).time_ns.tolist() == [UTC_S * S]


def test_two_files_in_one_are_one_ride(tmp_path: Path) -> None:
    ride = read(tmp_path, fit_of([200.0] * 5) + fit_of([210.0] * 5, start_s=UTC_S + 10))
    assert ride.power_w.tolist() == [200] * 5 + [210] * 5
    assert any("2 FIT files in one" in r for r in ride.remarks)


def test_a_cut_file_keeps_its_records_and_says_so(tmp_path: Path) -> None:
    data = fit_of([200.0] * 100)
    ride = read(tmp_path, data[: len(data) // 2])
    assert 30 < len(ride.time_ns) < 60
    assert set(ride.power_w) == {200}
    assert any(f"the {len(ride.time_ns)} records before that are kept" in r for r in ride.remarks)
    assert ride.damaged


def test_a_wrong_checksum_is_said(tmp_path: Path) -> None:
    data = bytearray(fit_of([200.0] * 10))
    data[-1] ^= 0xFF
    assert any("checksum does not match" in r for r in read(tmp_path, bytes(data)).remarks)
    assert read(tmp_path, bytes(data)).damaged
    assert read(tmp_path, fit_of([200.0] * 10)).remarks == ()
    assert not read(tmp_path, fit_of([200.0] * 10)).damaged


def test_the_content_counts_not_the_name(tmp_path: Path) -> None:
    ride = read(tmp_path, fit_of([200.0] * 10), name="ride.tcx")
    assert ride.kind == "fit"
    assert "named .tcx, but a FIT file" in ride.remarks
    assert not ride.damaged


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_damage_gives_a_ride_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    good = bytearray(fit_of([200.0] * 20))
    for _ in range(data.draw(st.integers(1, 6))):
        good[data.draw(st.integers(0, len(good) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(good)))
    found = read_or_sentence(tmp_path_factory.mktemp("damaged"), bytes(good[:cut]))
    if isinstance(found, str):
        assert "\n" not in found
    else:
        assert len(found.time_ns) == len(found.payloads) > 0
        assert np.all(np.diff(found.time_ns) > 0)


@pytest.mark.skipif(not RIDE_C.exists(), reason="the recorded ride is not on this machine")
def test_a_recorded_ride_has_the_means_that_its_device_gave() -> None:
    """Its own session and lap messages: 201 W mean, 331 W greatest, 108 rpm greatest; lap 1: 150 W over 377 s."""
    ride = read_ride_file(RIDE_C)
    assert len(ride.time_ns) == 2263
    assert float(np.nanmean(ride.power_w)) == pytest.approx(201, abs=1)
    assert np.nanmax(ride.power_w) == 331
    assert np.nanmax(ride.cadence_rpm) == 108
    first, *_ = ride.laps
    inside = (ride.time_ns >= first.start_ns) & (ride.time_ns < first.stop_ns)
    assert first.seconds == 377
    assert float(np.nanmean(ride.power_w[inside])) == pytest.approx(150, abs=1)
    assert len(ride.laps) == 5
