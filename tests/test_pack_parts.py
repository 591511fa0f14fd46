"""Smaller parts of a pack: TOML as others read it, comparing with a tolerance, decoding again, places in Parquet."""

from __future__ import annotations

import datetime
import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import bench_from_dict, parse_bench
from analysis.errors import BadInput, BadRecording
from analysis.pack.compared import differences, trees
from analysis.pack.ledger_word import ledger_standing
from analysis.pack.original_files import named_in, read_originals, wrong_originals
from analysis.pack.packing import pack_recording
from analysis.pack.parquet_place import parquet_place
from analysis.pack.row_check import check_rows
from analysis.pack.terms import LedgerStanding, Terms, made_with, terms_from_json
from analysis.pack.toml_text import toml_text
from analysis.pack.verify import verify
from analysis.plan_file import parse_plan, plan_from_dict
from analysis.recording_reader import read_metadata
from tests.packs import members_of, row_with, short_ride, with_value

PLAIN = st.one_of(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    st.booleans(),
    st.integers(-(2**53), 2**53),
    st.floats(allow_nan=False, allow_infinity=False),
    st.dates(),
)
KEYS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=6)
INNER = st.dictionaries(KEYS, st.one_of(PLAIN, st.lists(PLAIN, max_size=3)), max_size=3)
SECTION = st.dictionaries(KEYS, st.one_of(PLAIN, st.lists(INNER, max_size=2), INNER), max_size=4)


@pytest.fixture(scope="module")
def ride(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return short_ride(tmp_path_factory.mktemp("parts") / "ride.parquet")


@given(st.dictionaries(KEYS, st.one_of(PLAIN, SECTION, st.lists(SECTION, min_size=1, max_size=2)), max_size=4))
def test_toml_is_read_back_by_the_standard_library(table: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(table)) == table


def test_bench_and_plan_come_back_as_files_that_can_be_used(ride: Path, tmp_path: Path) -> None:
    pack = members_of(pack_recording(ride, tmp_path / "p.zip").path.read_bytes())
    metadata = read_metadata(ride)
    assert parse_bench(pack["bench.toml"]) == bench_from_dict(metadata.bench)
    assert metadata.plan is not None
    assert parse_plan(pack["plan.toml"]) == plan_from_dict(metadata.plan)


def test_a_date_is_written_as_one() -> None:
    assert toml_text({"meter": [{"mounted": datetime.date(2026, 11, 20)}]}) == "[[meter]]\nmounted = 2026-11-20\n"


@pytest.mark.parametrize(
    ("packed", "again", "places"),
    [
        ({"a": 1.0}, {"a": 1.0 + 1e-12}, []),
        ({"a": 1.0}, {"a": 1.0 + 2e-6}, ["a"]),
        ({"a": 1e6}, {"a": 1e6 + 0.1}, []),
        ({"a": 0.0}, {"a": 1e-8}, []),
        ({"a": 1}, {"a": 2}, ["a"]),
        ({"a": 1}, {"a": True}, ["a"]),
        ({"a": 1.0}, {"a": None}, ["a"]),
        ({"a": "x"}, {"a": "y"}, ["a"]),
        ({"a": [1, {"b": 2}]}, {"a": [1, {"b": 3}, 4]}, ["a[1].b", "a[2]"]),
        ({"a": 1, "more": 2}, {"a": 1}, ["more"]),
        ({"a": float("nan")}, {"a": 1.0}, ["a"]),
    ],
)
def test_trees_are_compared_with_the_place_of_each_difference(packed: Any, again: Any, places: list[str]) -> None:
    assert [place for place, _, _ in trees(packed, again)] == places


@given(st.recursive(PLAIN, lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=3), inner), max_leaves=8))
def test_a_tree_never_differs_from_itself(tree: Any) -> None:
    assert list(trees(tree, tree)) == []


@pytest.mark.parametrize(
    ("member", "packed", "again", "places"),
    [
        ("x.json", b'{"a": 1, "a": 2}', b'{"a": 2}', ["the whole file"]),
        ("x.json", b"not json", b"{}", ["the whole file"]),
        ("x.json", b'{"a":  1}', b'{"a": 1}', ["the way it is written"]),
        ("x.csv", b"a,b\r\n1,2.5\r\n", b"a,b\r\n1,2.5000000000001\r\n", []),
        ("x.csv", b"a,b\r\n1,2.5\r\n", b"a,b\r\n1,2.6\r\n", ["line 2, b"]),
        ("x.csv", b"a,b\r\n1,2\r\n", b"a,b\r\n2,2\r\n", ["line 2, a"]),
        ("x.csv", b"a,b\r\n", b"a,b\r\n1,2\r\n", ["shape of the table"]),
        ("x.csv", b"a,b\n1,2\n", b"a,b\r\n1,2\r\n", ["the way it is written"]),
        ("x.html", b"one\ntwo\n", b"one\ntoo\n", ["line 2, character 2"]),
        ("x.txt", b"one\n", b"one\nmore\n", ["line 2, character 1", "line 3, character 1"]),
        ("x.parquet", b"rubbish", b"rubbish too", ["the whole file"]),
    ],
)
def test_files_are_compared_by_their_kind(member: str, packed: bytes, again: bytes, places: list[str]) -> None:
    assert [d.place for d in differences(member, packed, again)] == places


def test_a_recording_as_written_decodes_to_what_it_holds(ride: Path, demo_recording: Path) -> None:
    for path in (ride, demo_recording):
        check = check_rows(path)
        assert (check.wrong_count, check.wrong) == (0, ())
        assert check.rows == pq.read_metadata(path).num_rows
    assert check_rows(ride).kinds == {name: {"notification": 350} for name in ("Alder", "Birch", "Cedar")}


@pytest.mark.parametrize(("column", "value"), [("power_w", None), ("power_w", 1), ("cadence_rpm", 90.0)])
def test_a_stored_value_that_the_packet_does_not_give_is_found(
    ride: Path, tmp_path: Path, column: str, value: object
) -> None:
    row = row_with(ride, "power_w")
    path = tmp_path / "ride.parquet"
    path.write_bytes(with_value(ride.read_bytes(), column, row, value))
    check = check_rows(path)
    assert [(w.row, w.sensor is not None, w.column, w.stored) for w in check.wrong] == [(row, True, column, value)]


def test_rows_of_no_recording_are_refused(tmp_path: Path) -> None:
    (tmp_path / "ride.parquet").write_bytes(b"PAR1 nothing PAR1")
    with pytest.raises(BadRecording, match=r"ride\.parquet is damaged"):
        check_rows(tmp_path / "ride.parquet")


def test_places_in_parquet_are_those_of_its_own_metadata(demo_recording: Path) -> None:
    """pyarrow's own metadata tells where each column lies."""
    content = demo_recording.read_bytes()
    metadata = pq.read_metadata(demo_recording)
    for number in range(metadata.num_columns):
        column = metadata.row_group(0).column(number)
        start = column.dictionary_page_offset or column.data_page_offset
        last = start + column.total_compressed_size - 1
        for offset in (start, last):
            assert parquet_place(content, offset).endswith(f"column {column.path_in_schema}")
    assert "first four bytes" in parquet_place(content, 2)
    assert "footer" in parquet_place(content, len(content) - 100)
    assert "last eight bytes" in parquet_place(content, len(content) - 2)


def test_terms_come_back(tmp_path: Path) -> None:
    standing = LedgerStanding(unit="alder-1", rides=1, sessions=1, fit=False, claim_pct=1.0, claim_assumed=True)
    terms = Terms(
        product_version="1",
        decoder_version=2,
        made_with=made_with(),
        recording="recording/x.parquet",
        standing=standing,
    )
    assert terms_from_json(terms.to_json()) == terms
    with pytest.raises(BadInput, match=r"pack\.json cannot be read"):
        terms_from_json(b"\xff{")


def test_a_ledger_says_how_the_reference_stands(demo_recording: Path, tmp_path: Path) -> None:
    from analysis.ledger.ledger_folder import open_ledger
    from analysis.ledger.taking_in import add_recording

    place = str(tmp_path / "ledger")
    assert add_recording(open_ledger(place, make=True), demo_recording).state == "added"
    standing = ledger_standing(place, "alder-1")
    assert standing is not None
    assert (standing.unit, standing.rides, standing.fit) == ("alder-1", 1, False)
    assert standing.why_not
    assert ledger_standing(place, "nobody") is None
    pack = pack_recording(demo_recording, tmp_path / "p.zip", ledger=place).path.read_bytes()
    assert b"alder-1 has 1 ride in the ledger and is not shown to be fit" in members_of(pack)["objections.json"]
    found = verify(pack)
    assert found.verified
    assert "no ledger was asked again" in found.notes[-1]


def imported(ride: Path, sha256: str) -> Any:
    sensors = {"Alder": {"source": {"sha256": sha256, "file": "alder.fit"}}}
    return msgspec.structs.replace(read_metadata(ride), sensors=sensors)


def test_original_files_are_held_against_what_the_recording_names(ride: Path, tmp_path: Path) -> None:
    """The digest is SHA-256's own test vector for "abc" (FIPS 180-2, B.1)."""
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    metadata = imported(ride, digest)
    assert named_in(metadata) == {"Alder": digest}
    (tmp_path / "Alder ride.fit").write_bytes(b"abc")
    (original,), contents = read_originals([tmp_path / "Alder ride.fit"] * 2, metadata)
    assert contents == {"originals/01-alder-ride.fit": b"abc"}
    assert list(wrong_originals([original], contents, metadata)) == []
    assert [m for m, _ in wrong_originals([original], {original.member: b"abd"}, metadata)] == [original.member]
    (tmp_path / "other.fit").write_bytes(b"abd")
    with pytest.raises(BadInput, match=r"names alder.fit \(Alder\)"):
        read_originals([tmp_path / "other.fit"], metadata)
    with pytest.raises(BadInput, match="cannot be read"):
        read_originals([tmp_path / "none.fit"], metadata)


def test_json_of_a_verification_is_json(ride: Path, tmp_path: Path) -> None:
    from analysis.pack.verified_words import verified_lines, verified_table

    row = row_with(ride, "power_w")
    forged = tmp_path / "ride.parquet"
    forged.write_bytes(with_value(ride.read_bytes(), "power_w", row, 999))
    found = verify(pack_recording(forged).path.read_bytes())
    assert not found.verified
    table: Mapping[str, Any] = json.loads(json.dumps(verified_table(found)))
    assert table["wrong_values"][0]["stored"] == 999
    lines = "\n".join(verified_lines(found, "ride.evidence.zip"))
    assert "ride.evidence.zip: DIFFERS" in lines
    assert f"row {row}, " in lines
