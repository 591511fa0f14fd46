"""The index of a ledger: the results of many rides in one sorted Parquet file, of which a question reads a part.

The index only saves time. Whatever it lacks, or is lost with it, stands in the results of each recording.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analysis.ledger.segment_results import (
    FIELDS,
    FIELDS_OF,
    METER,
    RESULTS_KEY,
    RESULTS_VERSION,
    RIDE,
    SCHEMA,
    SEGMENT,
)

ROWS_PER_GROUP = 32_768
_KINDS = (METER, RIDE, SEGMENT)
_ORDER = ("unit", "start_utc_ns", "session", "meter", "segment_no")
_WORDS = [name for name, kind in FIELDS.items() if kind == pa.string()]


class NotOurs(Exception):
    """A file without results of this version in it."""


class ResultsFile:
    """An index, or the results of one recording, open for questions. Everything is read from one open file."""

    def __init__(self, source: Any) -> None:
        """:raises NotOurs:, OSError, pa.ArrowException: where it cannot be read."""
        try:
            self._file = pq.ParquetFile(source, read_dictionary=_WORDS, page_checksum_verification=True)
        except KeyError as missing:
            raise NotOurs(f"it lacks the column {missing}") from missing
        about = self._file.schema_arrow.metadata or {}
        if about.get(RESULTS_KEY) != str(RESULTS_VERSION).encode():
            raise NotOurs("its results are of another version")
        self.about: dict[bytes, bytes] = about

    def rows(self, row: str, columns: Sequence[str], wanted: dict[str, str] | None = None) -> pa.Table:
        """The rows of one kind in which every column of `wanted` has its value."""
        conditions = {"row": row, **(wanted or {})}
        groups = self._groups(conditions)
        needed = list(dict.fromkeys([*columns, *conditions]))
        if not groups:
            return pa.schema([SCHEMA.field(name) for name in columns]).empty_table()
        table = self._file.read_row_groups(groups, columns=needed)
        for name, value in conditions.items():
            table = table.filter(pc.equal(table[name].cast(pa.string()), value))
        return plain(table.select(columns))

    def all(self) -> pa.Table:
        """Everything in it."""
        return plain(self._file.read())

    def _groups(self, conditions: dict[str, str]) -> list[int]:
        """Row groups that may hold such rows, by the least and greatest value of each column in the footer."""
        metadata = self._file.metadata
        # Lists of several fields are stored as several columns, so the places are not those of the table.
        stored = [metadata.schema.column(number).path for number in range(metadata.num_columns)]
        places = {stored.index(name): value for name, value in conditions.items()}
        groups = ((number, metadata.row_group(number)) for number in range(metadata.num_row_groups))
        return [n for n, group in groups if all(_may_hold(group, place, value) for place, value in places.items())]


def _may_hold(group: Any, column: int, value: str) -> bool:
    statistics = group.column(column).statistics
    if statistics is None or not statistics.has_min_max:
        # A column of nothing but nulls has no extremes.
        return statistics is None or statistics.null_count < group.num_rows
    return bool(statistics.min <= value <= statistics.max)


def plain(table: pa.Table) -> pa.Table:
    """Text as text, whether it was read as a dictionary or not, so that tables can be joined."""
    return table.cast(pa.schema([SCHEMA.field(name) for name in table.column_names]))


def write_results(table: pa.Table, out: Any) -> None:
    pq.write_table(table.replace_schema_metadata(SCHEMA.metadata), out, compression="zstd", write_page_checksum=True)


def write_index(files: Sequence[tuple[ResultsFile, frozenset[str] | None]], out: Any) -> None:
    """Merge files into one, sorted by unit and time; of each only the rides in its set, or all.

    One kind of rows after the other, so that not all have to be in memory together.
    """
    small = pa.concat_tables([SCHEMA.empty_table(), *(file.all() for file, rides in files if rides is None)])
    large = [(file, rides) for file, rides in files if rides is not None]
    with pq.ParquetWriter(out, SCHEMA, compression="zstd", write_page_checksum=True) as writer:
        for kind in _KINDS:
            names = list(FIELDS_OF[kind])
            parts = [of_rides(file.rows(kind, names), rides) for file, rides in large]
            parts.append(small.filter(pc.equal(small["row"], kind)).select(names))
            merged = _in_order(pa.concat_tables(parts))
            for first in range(0, merged.num_rows, ROWS_PER_GROUP):
                writer.write_table(_filled(merged.slice(first, ROWS_PER_GROUP)), row_group_size=ROWS_PER_GROUP)


def _filled(table: pa.Table) -> pa.Table:
    """With the columns of the other kinds, which stay empty."""
    there = set(table.column_names)
    columns = [
        table[name] if name in there else pa.nulls(table.num_rows, kind).cast(kind) for name, kind in FIELDS.items()
    ]
    return pa.table(columns, schema=SCHEMA)


def of_rides(table: pa.Table, rides: Iterable[str]) -> pa.Table:
    """Rows of the recordings with these digests."""
    return table.filter(pc.is_in(table["sha256"], pa.array(list(rides), pa.string())))


def _in_order(table: pa.Table) -> pa.Table:
    keys = [(name, "ascending") for name in _ORDER if name in table.column_names]
    return table.take(pc.sort_indices(table, sort_keys=keys))
