"""The index of a ledger: the results of many rides in one sorted Parquet file, of which a question reads a part.

The index only saves time. Whatever it lacks, or is lost with it, stands in the results of each recording.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analysis.errors import BadInput
from analysis.ledger.results_schema import (
    FIELDS,
    FIELDS_OF,
    METER,
    READABLE_VERSIONS,
    RESULTS_KEY,
    RIDE,
    SCHEMA,
    SEGMENT,
    SINCE_2,
)
from analysis.safe_text import safe_text

ROWS_PER_GROUP = 32_768
ROWS_AT_ONCE = 8 * ROWS_PER_GROUP
_KINDS = (METER, RIDE, SEGMENT)
_ORDER = ("unit", "start_utc_ns", "session", "meter", "segment_no")
# A file of version 1 lacks the newest columns, and must not be asked for them when it is opened.
_WORDS = [name for name, kind in FIELDS.items() if kind == pa.string() and name not in SINCE_2]
KEY_COLUMNS = ("sha256", "amendments_sha256")


class NotOurs(Exception):
    """A file without results in it, or of a version that is not known here."""


class DamagedResults(BadInput):
    """Pages that do not fit their checksum, or a footer, which has none, that leads astray."""


@contextlib.contextmanager
def _damage_told() -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, LookupError, ArithmeticError, TypeError, pa.ArrowException) as fault:
        raise DamagedResults(
            f"a file of the ledger's results is damaged ({safe_text(str(fault), 80)}); "
            "`wattproof ledger list --rebuild` makes them anew from the recordings."
        ) from fault


@dataclass(frozen=True)
class Units:
    """All units from `first` to `last` in the order of the index, or the rows without a unit."""

    first: str | None
    last: str | None

    def may_be_in(self, column: Any) -> bool:
        """By the statistics of one column of a row group."""
        statistics = column.statistics
        if statistics is None or self.first is None or self.last is None:
            return True
        return bool(statistics.has_min_max and statistics.min <= self.last and statistics.max >= self.first)

    def holds(self, column: pa.ChunkedArray) -> pa.ChunkedArray:
        text = column.cast(pa.string())
        if self.first is None:
            return pc.is_null(text)
        return pc.fill_null(pc.and_(pc.greater_equal(text, self.first), pc.less_equal(text, self.last)), False)


class ResultsFile:
    """An index, or the results of one recording, open for questions. Everything is read from one open file."""

    def __init__(self, source: Any) -> None:
        """:raises NotOurs:, OSError, pa.ArrowException: where it cannot be read."""
        try:
            self._file = pq.ParquetFile(source, read_dictionary=_WORDS, page_checksum_verification=True)
        except KeyError as missing:
            raise NotOurs(f"it lacks the column {missing}") from missing
        except (ValueError, LookupError, TypeError) as fault:
            raise NotOurs("it is no Parquet file of this kind") from fault
        about = self._file.schema_arrow.metadata or {}
        if about.get(RESULTS_KEY) not in [str(version).encode() for version in READABLE_VERSIONS]:
            raise NotOurs("its results are of another version")
        self.about: dict[bytes, bytes] = about

    def rows(self, row: str, columns: Sequence[str], wanted: dict[str, str] | None = None) -> pa.Table:
        """The rows of one kind in which every column of `wanted` has its value.

        :raises DamagedResults:
        """
        with _damage_told():
            return self._rows(row, columns, wanted)

    def _rows(self, row: str, columns: Sequence[str], wanted: dict[str, str] | None) -> pa.Table:
        conditions = {"row": row, **(wanted or {})}
        groups = self._groups(conditions)
        if not groups:
            return no_rows(columns)
        table = self._file.read_row_groups(groups, columns=self._there([*columns, *conditions]))
        for name, value in conditions.items():
            table = table.filter(pc.equal(table[name].cast(pa.string()), value))
        return plain(table, columns)

    def all(self) -> pa.Table:
        """Everything in it. :raises DamagedResults:"""
        with _damage_told():
            return plain(self._file.read(), tuple(FIELDS))

    def _there(self, columns: Sequence[str]) -> list[str]:
        """Those that a file of its version has."""
        return [name for name in dict.fromkeys(columns) if name in self._file.schema_arrow.names]

    def rows_of_units(self, row: str, columns: Sequence[str], units: Units) -> pa.Table:
        """The rows of one kind whose unit lies within these. :raises DamagedResults:"""
        with _damage_told():
            return self._rows_of_units(row, columns, units)

    def _rows_of_units(self, row: str, columns: Sequence[str], units: Units) -> pa.Table:
        metadata = self._file.metadata
        place = self._places()["unit"]
        groups = [n for n in self._groups({"row": row}) if units.may_be_in(metadata.row_group(n).column(place))]
        if not groups:
            return no_rows(columns)
        table = self._file.read_row_groups(groups, columns=self._there(columns))
        wanted = pc.and_(pc.equal(table["row"].cast(pa.string()), row), units.holds(table["unit"]))
        return plain(table.filter(wanted), columns)

    def _places(self) -> dict[str, int]:
        """Of the stored columns: lists of several fields are stored as several, so these are not the table's."""
        metadata = self._file.metadata
        return {metadata.schema.column(number).path: number for number in range(metadata.num_columns)}

    def _groups(self, conditions: dict[str, str]) -> list[int]:
        """Row groups that may hold such rows, by the least and greatest value of each column in the footer."""
        metadata = self._file.metadata
        stored = self._places()
        places = {stored[name]: value for name, value in conditions.items()}
        groups = ((number, metadata.row_group(number)) for number in range(metadata.num_row_groups))
        return [n for n, group in groups if all(_may_hold(group, place, value) for place, value in places.items())]


def _may_hold(group: Any, column: int, value: str) -> bool:
    statistics = group.column(column).statistics
    if statistics is None or not statistics.has_min_max:
        # A column of nothing but nulls has no extremes.
        return statistics is None or statistics.null_count < group.num_rows
    return bool(statistics.min <= value <= statistics.max)


def plain(table: pa.Table, columns: Sequence[str]) -> pa.Table:
    """These columns: text as text, whether it was read as a dictionary or not, and null where the file has none."""
    there = set(table.column_names)
    found = [
        table[name].cast(FIELDS[name]) if name in there else pa.nulls(table.num_rows, FIELDS[name])
        for name in columns
    ]
    return pa.table(found, schema=_schema(columns))


def write_results(table: pa.Table, out: Any) -> None:
    pq.write_table(table.replace_schema_metadata(SCHEMA.metadata), out, compression="zstd", write_page_checksum=True)


def write_index(
    files: Sequence[tuple[ResultsFile, frozenset[str] | None]], out: Any, rows_at_once: int = ROWS_AT_ONCE
) -> None:
    """Merge files into one, sorted by unit and time; of each only the rides in its set, or all.

    Some units after the others, about `rows_at_once`, so that not all rows have to be in memory together.
    """
    small = pa.concat_tables([SCHEMA.empty_table(), *(file.all() for file, rides in files if rides is None)])
    large = [(file, pa.array(sorted(rides), pa.string())) for file, rides in files if rides is not None]
    with pq.ParquetWriter(out, SCHEMA, compression="zstd", write_page_checksum=True) as writer:
        for kind in _KINDS:
            names = list(FIELDS_OF[kind])
            new = small.filter(pc.equal(small["row"], kind))
            for units in _portions([new, *(file.rows(kind, ["unit"]) for file, _ in large)], rows_at_once):
                parts = [of_rides(file.rows_of_units(kind, _with_unit(names), units), rides) for file, rides in large]
                parts.append(new.filter(units.holds(new["unit"])))
                merged = _in_order(pa.concat_tables([part.select(names) for part in parts]))
                for first in range(0, merged.num_rows, ROWS_PER_GROUP):
                    # The columns of the other kinds stay empty.
                    writer.write_table(plain(merged.slice(first, ROWS_PER_GROUP), tuple(FIELDS)))


def _portions(tables: Sequence[pa.Table], rows_at_once: int) -> Iterator[Units]:
    """Neighbouring units together until they have many rows; those without a unit last, as they sort."""
    counts = Counter[str | None]()
    for table in tables:
        counts.update({n["values"]: n["counts"] for n in pc.value_counts(table["unit"]).to_pylist()})
    nameless = counts.pop(None, 0)
    first, last, rows = None, None, 0
    for unit in sorted(name for name in counts if name is not None):
        first, last, rows = first or unit, unit, rows + counts[unit]
        if rows >= rows_at_once:
            yield Units(first, last)
            first, rows = None, 0
    if first is not None:
        yield Units(first, last)
    if nameless:
        yield Units(None, None)


def _with_unit(names: Sequence[str]) -> list[str]:
    return list(dict.fromkeys([*names, "unit"]))


def of_rides(table: pa.Table, rides: pa.Array) -> pa.Table:
    """Rows of the results with these keys."""
    return table.filter(pc.is_in(keys_of(table), rides))


def keys_of(table: pa.Table) -> pa.ChunkedArray:
    """`results_key` of each row."""
    return pc.binary_join_element_wise(*(table[name] for name in KEY_COLUMNS), "-", null_handling="skip")


def _schema(columns: Sequence[str]) -> pa.Schema:
    return pa.schema([SCHEMA.field(name) for name in columns])


def no_rows(columns: Sequence[str]) -> pa.Table:
    return _schema(columns).empty_table()


def _in_order(table: pa.Table) -> pa.Table:
    keys = [(name, "ascending") for name in _ORDER if name in table.column_names]
    return table.take(pc.sort_indices(table, sort_keys=keys))
