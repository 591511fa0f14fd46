"""From the rows of a journal to the one Parquet file: decoded, written beside, synced, renamed and read back."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from operator import attrgetter
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.characteristics.not_understood import NotUnderstood
from analysis.decoding import RowDecoder
from analysis.recording_schema import (
    COLUMNS,
    DETAIL_COLUMNS,
    METADATA_DIGEST_KEY,
    METADATA_KEY,
    Metadata,
    metadata_digest,
)
from analysis.rows import Row
from recorder.errors import FinishFailed
from recorder.storage import Storage

ROWS_PER_GROUP = 65_536
_ARROW_TYPES = {
    "int64": pa.int64(),
    "int32": pa.int32(),
    "float64": pa.float64(),
    "bool": pa.bool_(),
    "binary": pa.binary(),
    "string": pa.string(),
    "words": pa.dictionary(pa.int32(), pa.string()),
}
_COMPARED = ("host_ns", "row_kind", "sensor", "characteristic", "payload", "event", "detail")


def arrow_schema(metadata: Metadata | None = None) -> pa.Schema:
    fields = [pa.field(c.name, _ARROW_TYPES[c.type], nullable=c.name != "host_ns") for c in COLUMNS]
    schema = pa.schema(fields)
    if metadata is None:
        return schema
    text = metadata.to_json()
    return schema.with_metadata({METADATA_KEY: text, METADATA_DIGEST_KEY: metadata_digest(text)})


def write_recording(path: Path, rows: Sequence[Row], metadata: Metadata, storage: Storage) -> None:
    """Put the recording at `path`, whole or not at all. An existing file is never overwritten.

    Blocking and heavy: call it off the event loop.

    :raises FinishFailed: nothing stands at `path` and the journal must be kept.
    """
    ordered = rows if _in_order(rows) else sorted(rows, key=lambda row: row.host_ns)
    beside = path.with_name(path.name + ".tmp")
    try:
        _write_table(beside, ordered, metadata)
        storage.sync_path(beside)
        _compare(beside, ordered)
        storage.rename(beside, path)
        storage.sync_dir(path.parent)
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise FinishFailed(f"{path} could not be finished ({fault}); the journal beside it is kept.") from fault
    finally:
        beside.unlink(missing_ok=True)


def holds_the_same(path: Path, rows: Sequence[Row]) -> bool:
    """Whether the finished file at `path` has exactly these rows; False where it cannot be read."""
    ordered = rows if _in_order(rows) else sorted(rows, key=lambda row: row.host_ns)
    try:
        _compare(path, ordered)
    except (FinishFailed, OSError, ValueError, pa.ArrowException):
        return False
    return True


def _in_order(rows: Sequence[Row]) -> bool:
    return all(rows[i].host_ns <= rows[i + 1].host_ns for i in range(len(rows) - 1))


def _write_table(path: Path, rows: Sequence[Row], metadata: Metadata) -> None:
    schema = arrow_schema(metadata)
    words = [c.name for c in COLUMNS if c.type in ("words", "string")]
    with pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=6,
        use_dictionary=words,
        column_encoding={c.name: "DELTA_BINARY_PACKED" for c in COLUMNS if c.type == "int64"},
        write_page_checksum=True,
    ) as writer:
        for table in _tables(rows, schema):
            writer.write_table(table)


def _tables(rows: Sequence[Row], schema: pa.Schema) -> Iterator[pa.Table]:
    decoder = RowDecoder()
    for part in _chunks(rows):
        columns = _Columns()
        for row in part:
            columns.add(row, _decoded(decoder, row))
        yield columns.table(schema)
    if not rows:
        yield _Columns().table(schema)


def _decoded(decoder: RowDecoder, row: Row) -> dict[str, Any]:
    try:
        return decoder.fields(row)
    except NotUnderstood:
        return {}  # the payload is kept, and the session has written an event about it


def _chunks(rows: Sequence[Row]) -> Iterator[list[Row]]:
    source = iter(rows)
    while part := list(islice(source, ROWS_PER_GROUP)):
        yield part


@dataclass
class _Columns:
    """Sparse columns under construction: most rows fill few of them."""

    length: int = 0
    filled: dict[str, list[Any]] = field(default_factory=lambda: {c.name: [] for c in COLUMNS})

    def add(self, row: Row, decoded: dict[str, Any]) -> None:
        values = dict(decoded)
        for name in (
            "host_ns",
            "row_kind",
            "sensor",
            "characteristic",
            "payload",
            "event",
            "origin_ns",
            "origin_seq",
        ):
            values[name] = getattr(row, name)
        if row.event is not None:
            values["detail"] = detail_json(row)
            values.update({name: row.detail[name] for name in DETAIL_COLUMNS if name in row.detail})
        for name, value in values.items():
            if value is not None:
                column = self.filled[name]
                column.extend([None] * (self.length - len(column)))
                column.append(value)
        self.length += 1

    def table(self, schema: pa.Schema) -> pa.Table:
        arrays = []
        for part in schema:
            values = self.filled[part.name]
            values.extend([None] * (self.length - len(values)))
            arrays.append(pa.array(values, part.type))
        return pa.Table.from_arrays(arrays, schema=schema)


def detail_json(row: Row) -> str:
    text = json.dumps(dict(row.detail), ensure_ascii=False, separators=(",", ":"))
    # Half a surrogate pair, as in the path of a folder that is no UTF-8, must not cost the ride: it is escaped.
    return text if _is_unicode(text) else json.dumps(dict(row.detail), separators=(",", ":"))


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _compare(path: Path, rows: Sequence[Row]) -> None:
    """Read the file back, pages verified, and compare every row's own columns with what was to be written."""
    file = pq.ParquetFile(path, page_checksum_verification=True)
    expected: dict[str, Callable[[Row], Any]] = {name: attrgetter(name) for name in _COMPARED}
    expected["detail"] = lambda row: None if row.event is None else detail_json(row)
    first = 0
    for group in range(file.num_row_groups):
        table = file.read_row_group(group, columns=list(_COMPARED))
        part = rows[first : first + table.num_rows]
        for name, value in expected.items():
            if table[name].to_pylist() != [value(row) for row in part]:
                raise FinishFailed(f"{path} does not read back as written (column {name}); the journal is kept.")
        first += table.num_rows
    if first != len(rows):
        raise FinishFailed(f"{path} reads back with {first} rows instead of {len(rows)}; the journal is kept.")
