"""TCX and GPX after their public schemas: TrainingCenterDatabase v2 with TPX, GPX 1.1 with power and track points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import BadRideFile
from analysis.ride_files.opening import read_ride_file
from analysis.ride_files.ride_file import Keep, RideFile
from tests.fit_files import UTC_S
from tests.xml_rides import gpx, tcx, trackpoint, trkpt, utc

S = 1_000_000_000


def read(folder: Path, data: bytes, name: str = "ride.tcx", keep: Keep | None = None) -> RideFile:
    path = folder / name
    path.write_bytes(data)
    return read_ride_file(path, keep=keep)


def read_or_sentence(folder: Path, data: bytes) -> RideFile | str:
    try:
        return read(folder, data)
    except BadRideFile as fault:
        return str(fault)


def test_tcx_fields(tmp_path: Path) -> None:
    creator = (
        "<Creator><Name>Quayside logger</Name><UnitId>4711</UnitId><ProductID>7</ProductID>"
        "<Version><VersionMajor>3</VersionMajor><VersionMinor>4</VersionMinor></Version></Creator>"
    )
    points = [trackpoint(0, 200), trackpoint(1, None), trackpoint(2.5, 0, 0)]
    ride = read(tmp_path, tcx([points], creator=creator))
    assert (ride.time_ns - UTC_S * S).tolist() == [0, S, 2_500_000_000]
    assert ride.power_w[[0, 2]].tolist() == [200, 0]
    assert np.isnan(ride.power_w[1]), "a point without watts is missing, not zero"
    assert ride.cadence_rpm.tolist() == [90, 90, 0]
    assert ride.column("speed_kmh") == pytest.approx([30.6] * 3)
    assert (ride.recorder.product, ride.recorder.serial, ride.recorder.firmware) == ("Quayside logger", "4711", "3.4")
    assert [(lap.start_ns - UTC_S * S, lap.seconds) for lap in ride.laps] == [(0, 60)]
    assert ride.utc_known
    assert not ride.remarks


def test_a_new_track_after_a_while_is_a_pause(tmp_path: Path) -> None:
    first = [trackpoint(s, 200) for s in range(5)]
    ride = read(tmp_path, tcx([first, [trackpoint(5, 200)], [trackpoint(65, 200)]]))
    assert [(p.start_ns - UTC_S * S, p.stop_ns - UTC_S * S) for p in ride.pauses] == [(5 * S, 65 * S)]


def test_gpx_fields(tmp_path: Path) -> None:
    ride = read(tmp_path, gpx([[trkpt(0, 200), trkpt(1, 210, 91)], [trkpt(100, 220)]]), "ride.gpx")
    assert ride.kind == "gpx"
    assert ride.power_w.tolist() == [200, 210, 220]
    assert ride.cadence_rpm.tolist() == [90, 91, 90]
    assert ride.column("temperature_c").tolist() == [21, 21, 21]
    assert len(ride.pauses) == 1
    assert ride.recorder.product == "Quayside logger"


@pytest.mark.parametrize("data", [tcx([[trackpoint(0, 200)]]), gpx([[trkpt(0, 200)]])])
def test_position_and_heart_rate_only_when_asked_for(tmp_path: Path, data: bytes) -> None:
    plain = read(tmp_path, data).payloads[0]
    assert b"51.5" not in plain
    assert b"140" not in plain
    kept = read(tmp_path, data, keep=Keep(position=True, heart_rate=True)).payloads[0]
    assert b'"latitude":"51.5"' in kept
    assert b'"heart_rate":"140"' in kept


@pytest.mark.parametrize("value", ["nan", "inf", "1e400", "200,5", "1 000", "0x10", "", "NaN", "9" * 500])
def test_what_is_no_number_is_missing_and_counted(tmp_path: Path, value: str) -> None:
    ride = read(tmp_path, tcx([[trackpoint(0, 200), trackpoint(1, value)]]))
    assert np.isnan(ride.power_w[1])
    assert any("power is no possible value" in r for r in ride.remarks) == bool(value)


def test_times_without_a_zone_are_a_clock_of_its_own(tmp_path: Path) -> None:
    ride = read(tmp_path, tcx([[trackpoint(0, 200), trackpoint(1, 200)]]).replace(b"Z<", b"<"))
    assert not ride.utc_known
    assert any("do not say that they are UTC" in r for r in ride.remarks)


def test_a_cut_file_keeps_its_points(tmp_path: Path) -> None:
    data = tcx([[trackpoint(s, 200) for s in range(100)]])
    ride = read(tmp_path, data[: len(data) // 2])
    assert 30 < len(ride.time_ns) < 60
    assert any("cut short or damaged" in r for r in ride.remarks)
    assert ride.damaged


def test_the_name_of_a_device_is_made_harmless(tmp_path: Path) -> None:
    ride = read(tmp_path, gpx([[trkpt(0, 200)]], creator="&#x202e;logger\x7f"), "ride.gpx")
    assert ride.recorder.product == "\ufffdlogger\ufffd"


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_any_damage_gives_a_ride_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    good = tcx([[trackpoint(s, 200) for s in range(10)]])
    at = data.draw(st.integers(0, len(good)))
    damaged = good[:at] + data.draw(st.binary(max_size=20)) + good[data.draw(st.integers(at, len(good))) :]
    found = read_or_sentence(tmp_path_factory.mktemp("damaged"), damaged)
    if isinstance(found, str):
        assert "\n" not in found
    else:
        assert len(found.time_ns) == len(found.payloads) > 0
        assert np.all(np.diff(found.time_ns) > 0)


def test_the_helper_writes_utc() -> None:
    assert utc(0.25) == "2026-11-25T13:57:11.250Z"
