"""From the rows of a journal to the one Parquet file: decoded, written beside, synced, renamed and read back."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import attrgetter
from pathlib import Path
from typing import Any

import msgspec
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
    metadata_from_json,
)
from analysis.rows import Row
from recorder.arrow_columns import ARROW_TYPES, GrowingColumn, nulls
from recorder.errors import FinishFailed
from recorder.journal_rows import JournalRows
from recorder.storage import Storage

ROWS_PER_GROUP = 65_536
ROWS_AT_ONCE = 8_192  # alive as Python objects
_OF_EVERY_ROW = (
    "host_ns",
    "row_kind",
    "sensor",
    "characteristic",
    "payload",
    "event",
    "origin_ns",
    "origin_seq",
)


def arrow_schema(metadata: Metadata | None = None) -> pa.Schema:
    fields = [pa.field(c.name, ARROW_TYPES[c.type], nullable=c.name != "host_ns") for c in COLUMNS]
    schema = pa.schema(fields)
    if metadata is None:
        return schema
    text = metadata.to_json()
    return schema.with_metadata({METADATA_KEY: text, METADATA_DIGEST_KEY: metadata_digest(text)})


def write_recording(path: Path, rows: Sequence[Row], metadata: Metadata, storage: Storage) -> None:
    """Put the recording at `path`, whole or not at all. An existing file is never overwritten.

    Blocking and heavy: call it off the event loop. Takes rows by parts, so that they may be decoded only then.

    :raises FinishFailed: nothing stands at `path` and the journal must be kept.
    """
    ordered = _ordered(rows)
    beside = path.with_name(path.name + ".tmp")
    try:
        _write_table(beside, ordered, metadata)
        storage.sync_path(beside)
        _compare(beside, ordered)
        storage.rename(beside, path)
        storage.sync_dir(path.parent)
    except (OSError, ValueError, TypeError, OverflowError, pa.ArrowException) as fault:
        raise FinishFailed(f"{path} could not be finished ({fault}); the journal beside it is kept.") from fault
    finally:
        with contextlib.suppress(OSError):  # on a disk that has become read-only it was never made
            beside.unlink(missing_ok=True)


def holds_all(path: Path, session_id: str, rows: Sequence[Row]) -> bool:
    """Whether the file at `path` is of this session and has all these rows; False where it cannot be read.

    It may have more: of a journal of several files that is being removed, some may be gone already.
    """
    try:
        file = pq.ParquetFile(path, page_checksum_verification=True)
        told = (file.schema_arrow.metadata or {}).get(METADATA_KEY)
        if told is None or metadata_from_json(told).session_id != session_id:
            return False
        wanted = iter(_ordered(rows))
        row = next(wanted, None)
        for values in _read_back(file):
            if row is not None and values == _values_of(row):
                row = next(wanted, None)
    except (OSError, ValueError, msgspec.MsgspecError, pa.ArrowException):
        return False
    return row is None


def _ordered(rows: Sequence[Row]) -> Sequence[Row]:
    if isinstance(rows, JournalRows):
        return rows.in_time()
    in_order = all(before.host_ns <= after.host_ns for before, after in pairwise(rows))
    return rows if in_order else sorted(rows, key=lambda row: row.host_ns)


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
        memory_pool=pa.system_memory_pool(),  # the default one keeps what was given back to it
    ) as writer:
        for table in _tables(rows, schema):
            writer.write_table(table)


def _tables(rows: Sequence[Row], schema: pa.Schema) -> Iterator[pa.Table]:
    decoder = RowDecoder()
    for first in range(0, len(rows), ROWS_PER_GROUP):
        columns = _Columns()
        for start in range(first, min(first + ROWS_PER_GROUP, len(rows)), ROWS_AT_ONCE):
            for row in rows[start : min(start + ROWS_AT_ONCE, first + ROWS_PER_GROUP)]:
                columns.add(row, _decoded(decoder, row))
        yield columns.table(schema)
    if not rows:
        yield _Columns().table(schema)


def _decoded(decoder: RowDecoder, row: Row) -> dict[str, Any]:
    try:
        return decoder.fields(row)
    except NotUnderstood:
        return {}  # the payload is kept, and the session has written an event about it


@dataclass
class _Columns:
    """One row group under construction."""

    length: int = 0
    columns: dict[str, GrowingColumn] = field(
        default_factory=lambda: {c.name: GrowingColumn(c.type) for c in COLUMNS}
    )

    def add(self, row: Row, decoded: dict[str, Any]) -> None:
        values = dict(decoded)
        for name in _OF_EVERY_ROW:
            values[name] = getattr(row, name)
        if row.event is not None:
            values["detail"] = detail_json(row)
            # What does not fit stays in `detail`: an odd event must not keep a ride from its file.
            values.update({n: row.detail[n] for n in DETAIL_COLUMNS if self.columns[n].fits(row.detail.get(n))})
        for name, value in values.items():
            if value is not None:
                self.columns[name].add(self.length, value)
        self.length += 1

    def table(self, schema: pa.Schema) -> pa.Table:
        """To be asked for once: each column gives its memory back as soon as Arrow has it."""
        empty = {c.type: nulls(c.type, self.length) for c in COLUMNS}  # most columns of most rides; they share it
        arrays = []
        for c in COLUMNS:
            column = self.columns.pop(c.name)
            arrays.append(empty[c.type] if column.is_empty else column.array(self.length))
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


_COMPARED: dict[str, Callable[[Row], Any]] = {
    **{name: attrgetter(name) for name in ("host_ns", "row_kind", "sensor", "characteristic", "payload", "event")},
    "detail": lambda row: None if row.event is None else detail_json(row),
}


def _compare(path: Path, rows: Sequence[Row]) -> None:
    """Read the file back, pages verified, and compare every row's own columns with what was to be written."""
    file = pq.ParquetFile(path, page_checksum_verification=True)
    if file.metadata.num_rows != len(rows):
        count = file.metadata.num_rows
        raise FinishFailed(f"{path} reads back with {count} rows instead of {len(rows)}; the journal is kept.")
    first = 0
    for part in _parts_read_back(file):
        written = rows[first : first + part.num_rows]
        for name, value in _COMPARED.items():
            if _python_values(part[name]) != [value(row) for row in written]:
                raise FinishFailed(f"{path} does not read back as written (column {name}); the journal is kept.")
        first += part.num_rows


def _read_back(file: pq.ParquetFile) -> Iterator[tuple[Any, ...]]:
    for part in _parts_read_back(file):
        yield from zip(*(_python_values(part[name]) for name in _COMPARED), strict=True)


def _python_values(column: pa.Array) -> list[Any]:
    """As `to_pylist`, which looks each word up anew."""
    if not pa.types.is_dictionary(column.type):
        return column.to_pylist()  # type: ignore[no-any-return]
    words = dict(enumerate(column.dictionary.to_pylist()))
    return list(map(words.get, column.indices.to_pylist()))


def _parts_read_back(file: pq.ParquetFile) -> Iterator[pa.RecordBatch]:
    return file.iter_batches(ROWS_AT_ONCE, columns=list(_COMPARED), use_threads=False)  # type: ignore[no-any-return]


def _values_of(row: Row) -> tuple[Any, ...]:
    return tuple(value(row) for value in _COMPARED.values())
