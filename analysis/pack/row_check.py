"""Decodes every payload of a recording again and holds each decoded column against the stored one, value by value."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.characteristics.not_understood import NotUnderstood
from analysis.decoding import RowDecoder
from analysis.errors import BadRecording
from analysis.recording_schema import DECODED_COLUMNS
from analysis.rows import Row
from analysis.safe_text import safe_text

_ROW = ("host_ns", "row_kind", "sensor", "characteristic", "payload", "event")
MOST_TOLD = 50


@dataclass(frozen=True)
class WrongValue:
    """`row` counts from 0 in the file."""

    row: int
    sensor: str | None
    column: str
    stored: Any
    again: Any


@dataclass(frozen=True)
class RowCheck:
    """`kinds`: how many rows of each kind by sensor, without events. `wrong` holds the first few of `wrong_count`."""

    rows: int
    values: int
    not_understood: int
    kinds: Mapping[str, Mapping[str, int]]
    wrong_count: int
    wrong: tuple[WrongValue, ...]


def check_rows(path: Path) -> RowCheck:
    """:raises BadRecording: for a file that cannot be read."""
    check = _Check()
    try:
        file = pq.ParquetFile(path, page_checksum_verification=True)
        columns = [name for name in (*_ROW, *DECODED_COLUMNS) if name in file.schema_arrow.names]
        for group in range(file.num_row_groups):
            check.take(file.read_row_group(group, columns=columns))
    except (OSError, ValueError, LookupError, pa.ArrowException) as fault:
        raise BadRecording(f"{safe_text(path.name)} is damaged: {safe_text(str(fault), 120)}.") from fault
    return check.result()


class _Check:
    def __init__(self) -> None:
        self._decoder = RowDecoder()
        self._rows = self._values = self._not_understood = self._wrong_count = 0
        self._kinds: Counter[tuple[str, str]] = Counter()
        self._wrong: list[WrongValue] = []

    def take(self, table: pa.Table) -> None:
        again = [self._read(row) for row in zip(*(table[name].to_pylist() for name in _ROW), strict=True)]
        sensors = table["sensor"].to_pylist()
        for name in DECODED_COLUMNS:
            stored = table[name].to_pylist() if name in table.column_names else [None] * table.num_rows
            values = [fields.get(name) for fields in again]
            # Lists are compared at once; only where they differ does anybody look for the place.
            if stored != values:
                for n, (was, now) in enumerate(zip(stored, values, strict=True)):
                    if not same_value(was, now):
                        self._note(WrongValue(self._rows + n, sensors[n], name, was, now))
        self._rows += table.num_rows

    def _read(self, values: tuple[Any, ...]) -> Mapping[str, Any]:
        row = Row(*values)
        if row.row_kind != "event":
            self._kinds[row.sensor or "", row.row_kind] += 1
        again = self._decoded(row)
        self._values += len(again)
        return again

    def _decoded(self, row: Row) -> Mapping[str, Any]:
        try:
            return self._decoder.fields(row)
        except NotUnderstood:
            self._not_understood += 1
            return {}

    def _note(self, wrong: WrongValue) -> None:
        self._wrong_count += 1
        if len(self._wrong) < MOST_TOLD:
            self._wrong.append(wrong)

    def result(self) -> RowCheck:
        kinds: dict[str, dict[str, int]] = {}
        for (sensor, kind), count in sorted(self._kinds.items()):
            kinds.setdefault(sensor, {})[kind] = count
        told = tuple(sorted(self._wrong, key=lambda w: (w.row, w.column)))
        return RowCheck(self._rows, self._values, self._not_understood, kinds, self._wrong_count, told)


def same_value(stored: Any, again: Any) -> bool:
    """Equal, with nan equal to itself; decoding is whole numbers and single divisions, so nothing may differ."""
    if isinstance(stored, float) and isinstance(again, float) and math.isnan(stored):
        return math.isnan(again)
    return bool(stored == again)
