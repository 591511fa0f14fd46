"""Parquet files from anywhere: recordings with damaged bytes or wrong contents, judged; results in a ledger."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import struct
from collections.abc import Mapping
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.errors import WattproofError
from analysis.json_figures import every_figure
from analysis.judge import judge_recording
from analysis.ledger.ledger_command import ledger as ledger_main
from analysis.recording_reader import Recording, read_metadata, read_recording
from analysis.recording_schema import METADATA_DIGEST_KEY, METADATA_KEY, Metadata, metadata_digest
from analysis.report_files import write_report
from analysis.report_table import report_table
from analysis.rows import ROW_KINDS, Event
from recorder.recording_writer import arrow_schema
from tests.fuzz.feed import Feed, as_pieces, emptied, scratch
from tests.fuzz.targets import Target
from tests.ledger_rides import write_ride

S = 1_000_000_000
SHA256 = "ab" * 32
EVENTS = tuple(value for name, value in vars(Event).items() if name.isupper())
SENSORS = ("Alder", "Birch", "", "\x1b[2J")
CHARACTERISTICS = ("2a63", "2a5b", "2ad2", "2a19", "imported", "zzzz")
FLOATS = ("cadence_rpm", "balance_left_pct", "crank_event_s", "accumulated_torque_nm", "temperature_c", "speed_kmh")


def recording(data: bytes) -> None:
    """Any bytes as a recording."""
    path = emptied("recording") / "ride.parquet"
    path.write_bytes(data)
    for read in (read_metadata, read_recording):
        with contextlib.suppress(WattproofError):
            read(path)


def recording_metadata(data: bytes) -> None:
    """A sound table whose metadata are these bytes, with a right checksum."""
    table = _table().replace_schema_metadata({METADATA_KEY: data, METADATA_DIGEST_KEY: metadata_digest(data)})
    _judge_table(table)


def recording_rows(data: bytes) -> None:
    """Pieces become rows, with decoded columns that fit nothing; judged and reported all the same."""
    _judge_table(_table_of(data))


def recording_page(data: bytes) -> None:
    """The same rows, with everything that a report writes."""
    _judge_table(_table_of(data), everything=True)


def _table_of(data: bytes) -> pa.Table:
    rows = [_row(Feed(piece)) for piece in Feed(data).pieces(200)]
    rows.sort(key=lambda row: row["host_ns"])
    version = data[0] % 2 if data else 0
    metadata = msgspec.structs.replace(_metadata(), decoder_version=_metadata().decoder_version + version)
    schema = arrow_schema(metadata)
    arrays = [pa.array([row.get(field.name) for row in rows], field.type) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)


def ledger(data: bytes) -> None:
    """Any bytes as results of a ride, and as the index; asked by the commands that a person uses."""
    folder = emptied("ledger")
    for name in ("results", "recordings", "unfinished"):
        (folder / name).mkdir()
    (folder / "results" / f"{SHA256}.parquet").write_bytes(data)
    (folder / "index.parquet").write_bytes(data)
    for words in (["list"], ["show", "alder-1"], ["adjust"]):
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out), contextlib.suppress(WattproofError):
            ledger_main([*words, "--ledger", str(folder)])


def _judge_table(table: pa.Table, *, everything: bool = False) -> None:
    path = emptied("table") / "ride.parquet"
    pq.write_table(table, path, compression="none", write_page_checksum=True)
    try:
        found: Recording = read_recording(path)
        judged = judge_recording(found)
        report_table(found, judged)
        if everything:
            paths = write_report(path.parent / "report", found, judged)
            json.dumps(every_figure(found, judged, paths), allow_nan=False)
    except WattproofError as fault:
        if "\n" in str(fault):
            raise AssertionError(f"no sentence: {fault!s}") from fault


def _row(feed: Feed) -> Mapping[str, Any]:
    is_event = feed.number() % 3 == 0
    sensor = SENSORS[feed.number() % len(SENSORS)]
    host_ns = int.from_bytes(feed.take(8), "little", signed=True)
    row: dict[str, Any] = {"host_ns": host_ns, "sensor": sensor or None, "row_kind": "event"}
    if is_event:
        row["event"] = EVENTS[feed.number() % len(EVENTS)]
        row["detail"] = feed.rest().decode("utf-8", "replace")
        return row
    row["row_kind"] = ROW_KINDS[feed.number() % len(ROW_KINDS)]
    row["characteristic"] = CHARACTERISTICS[feed.number() % len(CHARACTERISTICS)]
    row["power_w"] = int.from_bytes(feed.take(4), "little", signed=True)
    row["crank_revolutions"] = int.from_bytes(feed.take(4), "little", signed=True)
    filled = feed.number()
    for number, name in enumerate(FLOATS):
        if filled >> number & 1:
            (row[name],) = struct.unpack("<d", feed.take(8).ljust(8, b"\x00"))
    row["payload"] = feed.rest()
    return row


@functools.cache
def short_ride() -> bytes:
    path = scratch() / "seed.parquet"
    if not path.exists():
        write_ride(path)
    table = pq.read_table(path)
    out = io.BytesIO()
    pq.write_table(table.slice(0, 40), out, compression="zstd", write_page_checksum=True)
    return out.getvalue()


@functools.cache
def _table() -> pa.Table:
    return pq.read_table(io.BytesIO(short_ride()))


def _metadata() -> Metadata:
    return msgspec.json.decode(_table().schema.metadata[METADATA_KEY], type=Metadata)


# What some event or other may tell; all of it in every event, so that whoever reads a detail finds it.
EVERY_DETAIL: Mapping[str, Any] = json.loads("""{
"meter": "Birch", "reference": "Alder", "lag_s": 0.2, "half_width_s": 0.1, "result": "done", "raw": 812,
"unit": "1/32 N·m", "offset_nm": 25.4, "still_s": 1.0, "asleep_s": 2.0, "span_s": 1.0, "count": 4, "words": "done",
"text": "here", "findings": [{"what": "battery", "words": "low", "blocks": false}], "ready": true,
"checked_utc_ns": 1, "firmware_revision": "1.0", "rssi_dbm": -60, "reason": "gone", "silent_s": 3.0, "state": "set",
"zero": {"outcome": "done", "words": "done", "value": {"utc_ns": 1, "raw": 812, "unit": "raw"}}, "payload": "00",
"step_id": "step-1", "lost_s": {"Alder": 1.0}, "damaged_records": 1, "characteristic": "2a63", "attempt": 2,
"next_try_s": 1.0, "segment_no": 2, "ended_by": "hand", "name": "steady", "step_kind": "steady", "posture": "seated",
"settle_s": 1.0, "repeat_no": 1, "target_w": 200, "cadence_rpm": 90, "request": "0c", "battery_pct": 80,
"resistance": {"trainer": "Birch", "mode": "level", "value": 3}, "relay": "attic", "offset_s": 0.1, "drift_ppm": 3.0}
""")


def every_event(detail: Mapping[str, Any]) -> bytes:
    """`_rows`, with one event of each kind that tells all of this."""
    told = json.dumps(detail).encode()
    events = [bytes([0, k % 2]) + (k * S).to_bytes(8, "little") + bytes([k]) + told for k in range(len(EVENTS))]
    return _rows() + as_pieces(*events)


def _rows() -> bytes:
    """Two meters over a step of a minute, at 1 Hz, with the events of a segment."""
    start = b'{"segment_no": 1, "name": "steady", "step_kind": "steady", "settle_s": 5.0}'
    event = EVENTS.index(Event.SEGMENT_START), EVENTS.index(Event.SEGMENT_END)
    pieces = [bytes([0, 2]) + (0).to_bytes(8, "little") + bytes([event[0]]) + start]
    for second in range(45):
        for sensor in (0, 1):
            at = (second * 1_000_000_000).to_bytes(8, "little")
            values = (200 + second % 5).to_bytes(4, "little") + second.to_bytes(4, "little")
            pieces.append(bytes([1, sensor]) + at + bytes([0, 0]) + values + b"\x01" + struct.pack("<d", 90.0))
    end = b'{"segment_no": 1, "ended_by": "plan"}'
    pieces.append(bytes([0, 2]) + (45_000_000_000).to_bytes(8, "little") + bytes([event[1]]) + end)
    return as_pieces(*pieces)


def _results() -> bytes:
    path = emptied("ledger-seed")
    write_ride(path / "ride.parquet")
    with contextlib.redirect_stdout(io.StringIO()):
        ledger_main(["add", str(path / "ride.parquet"), "--ledger", str(path / "ledger")])
    (results,) = (path / "ledger" / "results").glob("*.parquet")
    return results.read_bytes()


TARGETS = (
    Target("recording", recording, lambda: [short_ride()], 6.0),
    Target("recording-metadata", recording_metadata, lambda: [_table().schema.metadata[METADATA_KEY]], 30.0),
    Target("recording-rows", recording_rows, lambda: [_rows(), every_event(EVERY_DETAIL)], 60.0),
    Target("recording-page", recording_page, lambda: [every_event(EVERY_DETAIL), _rows()], 150.0),
    Target("ledger", ledger, lambda: [_results()], 15.0),
)
