"""The recording file as others see it: pandas, DuckDB and Polars open it, and nothing in it is taken on trust."""

import json
from collections.abc import Callable
from pathlib import Path

import duckdb
import msgspec
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.characteristics.registry import DECODER_VERSION, decode_fields
from analysis.errors import BadRecording
from analysis.judge import judge_recording
from analysis.recording_reader import Recording, read_recording
from analysis.recording_schema import (
    COLUMNS,
    DECODED_COLUMNS,
    METADATA_DIGEST_KEY,
    METADATA_KEY,
    SCHEMA_MAJOR,
    Finish,
    Metadata,
    metadata_digest,
)
from analysis.rows import Event, Row
from recorder.errors import FinishFailed
from recorder.recording_writer import holds_all, write_recording
from recorder.storage import SystemStorage

S = 1_000_000_000
BENCH = {
    "bench": {"name": "Quayside bench", "reference": "Alder"},
    "meter": [
        {"name": "Alder", "place": "pedals", "address": "F0:00:00:00:00:01"},
        {"name": "Cedar", "place": "trainer", "address": "F0:00:00:00:00:03"},
    ],
}
METADATA = Metadata(
    schema_major=SCHEMA_MAJOR,
    schema_minor=0,
    decoder_version=DECODER_VERSION,
    product_version="0",
    session_id="s",
    host="h",
    clock="CLOCK_BOOTTIME",
    utc_anchors=((0, 1_790_000_000 * S),),
    bench=BENCH,
    finish=Finish(clean=True, reason="plan"),
)
STORAGE = SystemStorage()


def power_packet(power_w: int, revolutions: int, ticks: int) -> bytes:
    """2a63 with crank data; layout: GSS, Cycling Power Measurement."""
    return (
        (0x20).to_bytes(2, "little")
        + power_w.to_bytes(2, "little", signed=True)
        + (revolutions % 65536).to_bytes(2, "little")
        + (ticks % 65536).to_bytes(2, "little")
    )


def ride(seconds: int = 20) -> list[Row]:
    """Alder at 200 W and Cedar at 190 W, 90 rpm: 3 turns in 2 s are 2048 ticks (vectors, crank-plain)."""
    start = {"segment_no": 1, "name": "steady", "step_id": "step-1", "step_kind": "steady", "posture": "standing"}
    rows = [Row(0, "event", event=Event.SEGMENT_START, detail=start)]
    for k in range(seconds // 2):
        for sensor, power_w in (("Alder", 200), ("Cedar", 190)):
            packet = power_packet(power_w, 65530 + 3 * k, 60000 + 2048 * k)
            rows.append(Row(2 * k * S + 1, "notification", sensor, "2a63", packet))
    rows.append(Row(seconds * S, "event", event=Event.SEGMENT_END, detail={"segment_no": 1, "ended_by": "plan"}))
    return rows


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "ride.parquet"
    write_recording(path, ride(), METADATA, STORAGE)
    return path


def test_pandas_duckdb_and_polars_open_it_as_it_is(recording: Path) -> None:
    by_pandas = pd.read_parquet(recording)
    assert list(by_pandas.columns) == [c.name for c in COLUMNS]
    assert by_pandas["host_ns"].is_monotonic_increasing
    assert by_pandas[by_pandas["sensor"] == "Alder"]["power_w"].dropna().unique().tolist() == [200]
    with duckdb.connect() as database:
        query = f"select count(*), avg(power_w) from '{recording}' where sensor = 'Cedar'"
        assert database.execute(query).fetchall() == [(10, 190.0)]
    by_polars = pl.read_parquet(recording)
    assert by_polars.filter(pl.col("sensor") == "Alder")["payload"].to_list()[0] == power_packet(200, 65530, 60000)


def test_payloads_decode_again_to_the_stored_values(recording: Path) -> None:
    rows = [r for r in pq.read_table(recording).to_pylist() if r["payload"] is not None]
    assert len(rows) == 20
    for row in rows:
        again = decode_fields(row["characteristic"], row["payload"])
        stored = {name: row[name] for name in DECODED_COLUMNS if row[name] is not None}
        stored.pop("cadence_rpm", None)  # made from two packets; checked below
        assert again == stored


def test_cadence_survives_both_roll_overs(recording: Path) -> None:
    cadence = read_recording(recording).samples["Alder"].cadence_rpm
    assert len(cadence) == 9
    assert cadence.values == pytest.approx(np.full(9, 90.0))


def test_figures_of_the_file(recording: Path) -> None:
    result = read_recording(recording)
    judged = judge_recording(result)
    assert judged.reference == "Alder"
    (segment,) = judged.segments
    assert (segment.segment.name, segment.segment.posture, segment.segment.ended_by) == ("steady", "standing", "plan")
    assert segment.meters["Alder"].mean_power_w == pytest.approx(200)
    assert segment.comparisons["Cedar"].difference_pct.mean == pytest.approx(-5)


def test_rows_that_come_late_are_put_in_order(tmp_path: Path) -> None:
    rows = ride()
    write_recording(tmp_path / "a.parquet", [*rows[10:], *rows[:10]], METADATA, STORAGE)
    host_ns = pq.read_table(tmp_path / "a.parquet")["host_ns"].to_pylist()
    assert host_ns == sorted(host_ns)


def test_another_decoder_version_is_decoded_again_and_said(tmp_path: Path) -> None:
    path = tmp_path / "old.parquet"
    write_recording(path, ride(), METADATA, STORAGE)
    table = pq.read_table(path)
    ones = pa.array([1] * table.num_rows, pa.int32())
    pq.write_table(table.set_column(table.schema.get_field_index("power_w"), "power_w", ones), path)
    rewritten(path, replace_json(METADATA, decoder_version=DECODER_VERSION + 1))
    again = read_recording(path)
    assert again.decoded_again
    assert set(again.samples["Alder"].power_w.values) == {200.0}
    assert again.samples["Alder"].cadence_rpm.values == pytest.approx(np.full(9, 90.0))


def replace_json(metadata: Metadata, **changes: object) -> bytes:
    return json.dumps({**metadata.as_dict(), **changes}).encode()


def rewritten(path: Path, metadata: bytes | None) -> None:
    keys = {} if metadata is None else {METADATA_KEY: metadata, METADATA_DIGEST_KEY: metadata_digest(metadata)}
    pq.write_table(pq.read_table(path).replace_schema_metadata(keys), path, write_page_checksum=True)


DAMAGE: list[tuple[Callable[[Path], object], str]] = [
    (lambda p: rewritten(p, replace_json(METADATA, schema_major=SCHEMA_MAJOR + 1)), "install a newer wattproof"),
    (lambda p: rewritten(p, None), "not a wattproof recording"),
    (lambda p: pq.write_table(pq.read_table(p).drop_columns(["posture"]), p), "lacks the column posture"),
    (lambda p: rewritten(p, b"{"), "metadata that cannot be read"),
    (lambda p: rewritten(p, b"[]"), "metadata that cannot be read"),
    (lambda p: p.write_bytes(p.read_bytes()[:-1]), "not a readable Parquet file"),
    (lambda p: p.write_bytes(b""), "not a readable Parquet file"),
    (lambda p: p.unlink(), "is not a file"),
]


@pytest.mark.parametrize(("damage", "words"), DAMAGE, ids=[words for _, words in DAMAGE])
def test_what_cannot_be_read_is_refused_in_one_sentence(
    recording: Path, damage: Callable[[Path], object], words: str
) -> None:
    damage(recording)
    with pytest.raises(BadRecording, match=words) as caught:
        read_recording(recording)
    assert "\n" not in str(caught.value)


def test_a_newer_minor_version_with_keys_of_its_own_is_read(recording: Path) -> None:
    rewritten(recording, replace_json(METADATA, schema_minor=7, invention={"a": 1}))
    assert read_recording(recording).metadata.schema_minor == 7


def test_a_flipped_bit_is_refused_or_changes_nothing_that_is_read(recording: Path) -> None:
    """Page checksums guard the pages, our own digest the metadata; the rest breaks the file."""
    whole = recording.read_bytes()
    right = everything(read_recording(recording))
    refused = wrong = 0
    for place in range(4, len(whole), max(1, len(whole) // 300)):
        flipped = bytearray(whole)
        flipped[place] ^= 1 << (place % 8)
        recording.write_bytes(bytes(flipped))
        try:
            wrong += everything(read_recording(recording)) != right
        except BadRecording:
            refused += 1
    assert wrong == 0
    assert refused > 150


def everything(recording: Recording) -> tuple[object, ...]:
    series = [
        (name, s.power_w.host_ns.tolist(), s.power_w.values.tolist(), s.cadence_rpm.values.tolist())
        for name, s in recording.samples.items()
    ]
    return recording.metadata, recording.events, recording.end_ns, series


def test_an_existing_file_is_never_overwritten(recording: Path) -> None:
    before = recording.read_bytes()
    with pytest.raises(FinishFailed, match="journal beside it is kept"):
        write_recording(recording, ride(4), METADATA, STORAGE)
    assert recording.read_bytes() == before
    assert list(recording.parent.iterdir()) == [recording]


def test_holding_all_means_every_row_of_the_same_session(recording: Path) -> None:
    rows = ride()
    assert holds_all(recording, "s", rows)
    assert holds_all(recording, "s", rows[::3])
    assert not holds_all(recording, "s", [*rows, msgspec.structs.replace(rows[-1], host_ns=rows[-1].host_ns + 1)])
    assert not holds_all(recording, "s", [*rows[:4], rows[3], *rows[4:]])
    assert not holds_all(recording, "s", [msgspec.structs.replace(rows[0], host_ns=-1), *rows[1:]])
    assert not holds_all(recording, "another", rows)
    assert not holds_all(recording.with_name("no.parquet"), "s", rows)


payload_rows = st.builds(
    Row,
    host_ns=st.integers(0, 2**49),
    row_kind=st.sampled_from(["notification", "read", "write", "indication"]),
    sensor=st.sampled_from(["Alder", "Cedar"]),
    characteristic=st.sampled_from(["2a63", "2a5b", "2ad2", "2a19", "2a66", "ffff"]),
    payload=st.binary(max_size=40),
)
event_rows = st.builds(
    Row,
    host_ns=st.integers(0, 2**49),
    row_kind=st.just("event"),
    sensor=st.none() | st.just("Alder"),
    event=st.sampled_from([Event.MARK, Event.LINK_FOUND]),
    detail=st.dictionaries(st.text(max_size=8), st.integers(-(2**31), 2**31) | st.text(max_size=8), max_size=3),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(payload_rows | event_rows, max_size=30))
def test_any_rows_come_back_whatever_the_bytes(tmp_path: Path, rows: list[Row]) -> None:
    path = tmp_path / "any.parquet"
    path.unlink(missing_ok=True)
    write_recording(path, rows, METADATA, STORAGE)
    assert holds_all(path, "s", rows)
    assert len(read_recording(path).events) == sum(row.event is not None for row in rows)
