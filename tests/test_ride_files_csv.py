"""Tables with a stated mapping: separators, decimal commas, times; what could be read in two ways is asked about."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import BadInput, BadRideFile
from analysis.ride_files.csv_mapping import CsvMapping, parse_mapping
from analysis.ride_files.iso_time import iso_time
from analysis.ride_files.opening import read_ride_file
from analysis.ride_files.ride_file import Keep, RideFile

S = 1_000_000_000
PLAIN = "time=t,power=w,cadence=rpm"
RIDE_E = Path(__file__).resolve().parents[1].parent / "shared" / "data" / "ride_e_short_balance.csv"


def read(folder: Path, text: str | bytes, mapping: str | None = PLAIN, keep: Keep | None = None) -> RideFile:
    path = folder / "ride.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_ride_file(path, mapping=None if mapping is None else parse_mapping(mapping), keep=keep)


def read_or_sentence(folder: Path, text: str | bytes) -> RideFile | str:
    try:
        return read(folder, text)
    except BadRideFile as fault:
        return str(fault)


@pytest.mark.parametrize(
    "text",
    [
        "t,w,rpm\n0,200,90\n1,0,\n2,,0\n",
        "t;w;rpm\r\n0;200;90\r\n1;0;\r\n2;;0\r\n",
        "\ufefft\tw\trpm\textra\n0\t200\t90\tx\n1\t0\t\ty\n2\t\t0\tz\n",
        '"t","w","rpm"\n"0","200","90"\n\n"1","0",""\n"2","","0"\n',
        "rpm;t;w\n90;0,0;200\n;1,0;0\n0;2,0;\n",
    ],
)
def test_the_same_table_in_many_coats(tmp_path: Path, text: str) -> None:
    ride = read(tmp_path, text)
    assert ride.time_ns.tolist() == [0, S, 2 * S]
    assert ride.power_w[:2].tolist() == [200, 0]
    assert np.isnan(ride.power_w[2]), "an empty cell is missing, not zero"
    assert ride.cadence_rpm[[0, 2]].tolist() == [90, 0]
    assert not ride.utc_known


def test_decimal_commas_are_read_and_kept_in_the_payload(tmp_path: Path) -> None:
    ride = read(tmp_path, "t;w;rpm\n0,25;200,4;90,5\n1,25;201,6;\n")
    assert ride.time_ns.tolist() == [S // 4, S + S // 4]
    assert ride.power_w.tolist() == [200, 202], "columns hold whole watts"
    assert ride.cadence_rpm[0] == 90.5
    assert b'"power":"200,4"' in ride.payloads[0]


def test_a_thousand_or_a_fraction_is_asked_about(tmp_path: Path) -> None:
    text = "t;w;rpm\n0;1,200;90\n"
    with pytest.raises(BadRideFile, match="may be a thousand or a fraction; add decimal=comma"):
        read(tmp_path, text)
    assert read(tmp_path, text, PLAIN + ",decimal=comma").power_w.tolist() == [1]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("t,w,rpm\n0,200,5,90\n", "more cells than columns"),
        ("t;w;rpm\n0.5;200,5;90\n", "decimal commas and decimal points"),
        ("t,watts\n0,200\n", "has no column `w`; it has t, watts"),
        ("t,w,w,rpm\n0,1,2,3\n", "several columns named `w`"),
        ("t,w,rpm\nsoon,200,90\n", "the time `soon` is neither seconds nor UTC"),
        ("t,w,rpm\n1e400,200,90\n", "the time `1e400` is neither seconds nor UTC"),
        ("t,w,rpm\n", "no record with a time"),
        ("t,w,rpm\n0,,\n1,,\n", "no power, cadence or temperature"),
        ("nothing at all\n", "neither FIT, TCX nor GPX, and no table"),
        (b"t,w,rpm\n0,\xff\xfe,1\n", "its text is not UTF-8"),
        (b"t,w,rpm\n0,\x00,1\n", "is no FIT, TCX, GPX or CSV file"),
    ],
)
def test_what_cannot_be_read_is_said_in_a_sentence(tmp_path: Path, text: str | bytes, says: str) -> None:
    with pytest.raises(BadRideFile, match=says) as told:
        read(tmp_path, text)
    assert str(tmp_path / "ride.csv") in str(told.value)


def test_without_a_mapping_the_columns_are_shown(tmp_path: Path) -> None:
    with pytest.raises(BadRideFile, match=r"say which columns to take, as in --csv .*; it has t, w, rpm"):
        read(tmp_path, "t,w,rpm\n0,200,90\n", None)


def test_utc_and_times_without_a_zone(tmp_path: Path) -> None:
    ride = read(tmp_path, "t,w,rpm\n2026-11-25T13:57:11Z,200,90\n2026-11-25T14:57:12.5+01:00,201,90\n")
    assert ride.utc_known
    assert ride.time_ns.tolist() == [1_795_615_031 * S, 1_795_615_032_500_000_000]
    ride = read(tmp_path, "t,w,rpm\n2026-11-25 13:57:11,200,90\n")
    assert not ride.utc_known
    assert any("do not say that they are UTC" in r for r in ride.remarks)


def test_nan_infinity_and_absurd_values_are_missing_and_counted(tmp_path: Path) -> None:
    ride = read(tmp_path, "t,w,rpm\n0,200,90\n1,nan,1e400\n2,-inf,-5\n3,40000,900\n4,3500,90\n")
    assert ride.power_w[[0, 4]].tolist() == [200, 3500]
    assert np.isnan(ride.power_w[1:4]).all()
    assert np.isnan(ride.cadence_rpm[1:4]).all()
    assert any("3 records whose power" in r for r in ride.remarks)
    assert any("1 powers above 3000 W, up to 3500 W: kept" in r for r in ride.remarks)


def test_whose_balance_it_is_comes_from_the_mapping(tmp_path: Path) -> None:
    text = "t,w,rpm,b\n0,200,90,52\n"
    left = read(tmp_path, text, PLAIN + ",balance_left=b")
    assert (left.column("balance_left_pct").tolist(), left.balance_reference) == ([52], "left")
    right = read(tmp_path, text, PLAIN + ",balance_right=b")
    assert (right.column("balance_left_pct").tolist(), right.balance_reference) == ([48], "left")
    assert read(tmp_path, text, PLAIN + ",balance=b").balance_reference == "unknown"


def test_heart_rate_only_when_asked_for(tmp_path: Path) -> None:
    text, mapping = "t,w,rpm,h\n0,200,90,140\n", PLAIN + ",heart_rate=h"
    assert b"140" not in read(tmp_path, text, mapping).payloads[0]
    assert b"140" in read(tmp_path, text, mapping, Keep(heart_rate=True)).payloads[0]


def test_a_gzipped_table(tmp_path: Path) -> None:
    assert read(tmp_path, gzip.compress(b"t,w,rpm\n0,200,90\n")).power_w.tolist() == [200]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "time",
        "time=t",
        "power=w",
        "time=t,time=u",
        "time=t,weight=w",
        "time=t,power=w,decimal=dot",
        "=,=",
        "t=time",
    ],
)
def test_a_mapping_that_is_none(text: str) -> None:
    with pytest.raises(BadInput, match="--csv"):
        parse_mapping(text)


def test_a_mapping_may_name_columns_with_spaces() -> None:
    assert parse_mapping("time=t s, power = Power (W)") == CsvMapping({"time": "t s", "power": "Power (W)"})


@settings(max_examples=100, deadline=None)
@given(st.one_of(st.binary(max_size=300), st.text(alphabet="0123456789.,;\t\n\"'eEtwrpmnaif- ", max_size=200)))
def test_any_table_gives_a_ride_or_one_sentence(tmp_path_factory: pytest.TempPathFactory, tail: bytes | str) -> None:
    data = b"t,w,rpm\n0,200,90\n" + (tail if isinstance(tail, bytes) else tail.encode())
    found = read_or_sentence(tmp_path_factory.mktemp("any"), data)
    if isinstance(found, str):
        assert "\n" not in found
    else:
        assert len(found.time_ns) == len(found.payloads) > 0
        assert np.all(np.diff(found.time_ns) > 0)


@given(st.text(max_size=45))
def test_any_text_is_a_time_or_none(text: str) -> None:
    found = iso_time(text)
    assert found is None or 0 < found.ns < 2**63


@pytest.mark.skipif(not RIDE_E.exists(), reason="the recorded ride is not on this machine")
def test_a_recorded_ride_with_balance(tmp_path: Path) -> None:
    """Its first rows as they stand in the file: 160 W at 48 rpm with 46 %, 114 W at 49 rpm with 52 %."""
    ride = read(tmp_path, RIDE_E.read_bytes(), "time=t_s,power=power_w,cadence=cadence_rpm,balance=balance_pct")
    assert ride.power_w[:2].tolist() == [160, 114]
    assert ride.cadence_rpm[:2].tolist() == [48, 49]
    assert ride.column("balance_left_pct")[:2].tolist() == [46, 52]
    assert ride.balance_reference == "unknown"
