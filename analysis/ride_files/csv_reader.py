"""Reads tables with a stated mapping; tells semicolons and decimal commas, and asks where two readings fit."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from analysis.errors import BadRideFile
from analysis.ride_files.csv_mapping import EXAMPLE, CsvMapping
from analysis.ride_files.iso_time import IsoTime, iso_time
from analysis.ride_files.record_collector import MOST_RECORDS, RecordCollector
from analysis.ride_files.record_payload import number
from analysis.ride_files.ride_file import Keep
from analysis.safe_text import safe_text

MOST_BYTES = 64 << 20
LONGEST_TEXT = 40
MOST_COLUMNS = 500
LONGEST_LINE = 100_000
LATEST_S = 9e9
_SEPARATORS = ",;\t"
_PRIVATE = {"heart_rate", "latitude", "longitude"}
# A comma that is followed by exactly three digits may set thousands apart; a leading zero cannot.
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")


@dataclass
class CsvContents:
    utc_known: bool
    remarks: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Table:
    header: list[str]
    separator: str
    rows: list[list[str]]  # only the cells that are mapped, in order of the mapping


def read_csv(data: bytes, collector: RecordCollector, keep: Keep, mapping: CsvMapping | None) -> CsvContents:
    """Records go to the collector.

    :raises BadRideFile: where it is no such table, or could be read in two ways.
    """
    where = collector.where
    try:
        table = _table(data, where, mapping)
    except (csv.Error, UnicodeDecodeError) as fault:
        why = "its text is not UTF-8" if isinstance(fault, UnicodeDecodeError) else safe_text(str(fault), 80)
        raise BadRideFile(f"{where} cannot be read as a table: {why}; write it again as CSV in UTF-8") from fault
    names = list(mapping.columns if mapping is not None else ())
    times = [row[names.index("time")] for row in table.rows]
    stated = mapping.decimal if mapping is not None else None
    decimal = stated or _decimal(_numbers(table.rows, names), where)
    times_ns, contents = _times(times, decimal, where)
    wanted = [
        (place, name)
        for place, name in enumerate(names)
        if name != "time" and (name not in _PRIVATE or _asked_for(name, keep))
    ]
    mark = {"decimal": ","} if decimal == "," else {}
    for time_ns, row in zip(times_ns, table.rows, strict=True):
        raw = {name: row[place][:LONGEST_TEXT] for place, name in wanted if row[place]}
        collector.add(time_ns, {**raw, **mark})
    return contents


def _asked_for(name: str, keep: Keep) -> bool:
    return keep.heart_rate if name == "heart_rate" else keep.position


def _table(data: bytes, where: str, mapping: CsvMapping | None) -> _Table:
    first = next((line for line in _lines(data, where) if line.strip()), "")
    separator = max(_SEPARATORS, key=lambda s: len(next(csv.reader([first], delimiter=s), [])))
    rows = csv.reader(_lines(data, where), delimiter=separator)
    header = [cell.strip() for cell in next((row for row in rows if any(c.strip() for c in row)), [])]
    shown = ", ".join(safe_text(cell, 30) for cell in header[:20])
    if len(header) > MOST_COLUMNS or len(header) < 2:
        raise BadRideFile(
            f"{where} is neither FIT, TCX nor GPX, and no table with a row of column names either; "
            "export the ride as one of these"
        )
    if mapping is None:
        raise BadRideFile(f"{where} is a table: say which columns to take, as in {EXAMPLE}; it has {shown}")
    missing = [c for c in mapping.columns.values() if c not in header]
    if missing:
        raise BadRideFile(f"{where} has no column `{safe_text(missing[0], 40)}`; it has {shown}")
    twice = [c for c in mapping.columns.values() if header.count(c) > 1]
    if twice:
        raise BadRideFile(f"{where} has several columns named `{safe_text(twice[0], 40)}`; give each its own name")
    places = [header.index(c) for c in mapping.columns.values()]
    return _Table(header, separator, list(_mapped(rows, places, len(header), where)))


def _lines(data: bytes, where: str) -> Iterator[str]:
    text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8-sig", newline="")
    while line := text.readline(LONGEST_LINE + 1):
        if len(line) > LONGEST_LINE:
            raise BadRideFile(f"{where} has lines far longer than those of a table; it is not read")
        yield line


def _mapped(rows: Iterable[list[str]], places: Sequence[int], width: int, where: str) -> Iterator[list[str]]:
    for number_, row in enumerate(rows, 2):
        if number_ > MOST_RECORDS + 2:
            raise BadRideFile(f"{where} has more than {MOST_RECORDS:,} rows, which no ride has; cut it first")
        if not any(cell.strip() for cell in row):
            continue
        if len(row) > width:
            raise BadRideFile(
                f"{where}, row {number_}: more cells than columns, as from decimal commas between commas; "
                "write it with semicolons or decimal points"
            )
        yield [row[place].strip() if place < len(row) else "" for place in places]


def _numbers(rows: Iterable[Sequence[str]], names: Sequence[str]) -> Iterator[str]:
    for row in rows:
        for name, cell in zip(names, row, strict=True):
            if cell and not (name == "time" and iso_time(cell) is not None):
                yield cell


def _decimal(cells: Iterable[str], where: str) -> str:
    """`,` where a comma can be nothing but a decimal one; a cell that only might be is refused."""
    comma = point = unsure = ""
    for cell in cells:
        if "," in cell:
            if _MAYBE_THOUSANDS.fullmatch(cell):
                unsure = unsure or cell
            elif _DECIMAL_COMMA.fullmatch(cell):
                comma = comma or cell
        elif "." in cell:
            point = point or cell
    if (comma or unsure) and point:
        pair = f"`{safe_text(comma or unsure, 40)}` and `{safe_text(point, 40)}`"
        raise BadRideFile(f"{where} has decimal commas and decimal points ({pair}); write it in one way")
    if unsure and not comma:
        raise BadRideFile(
            f"{where}: `{safe_text(unsure, 40)}` may be a thousand or a fraction; add decimal=comma to --csv, "
            "or write it without separators of thousands"
        )
    return "," if comma else "."


def _times(cells: Sequence[str], decimal: str, where: str) -> tuple[list[int | None], CsvContents]:
    dated = [iso_time(cell) for cell in cells]
    if any(t is not None for t in dated):
        return _dated(dated)
    seconds = [number(cell, decimal) for cell in cells]
    usable = [abs(s) < LATEST_S for s in seconds]  # nan is not
    if cells and not any(usable):
        shown = safe_text(cells[0], 40)
        raise BadRideFile(f"{where}: the time `{shown}` is neither seconds nor UTC such as 2026-05-02T09:30:00Z")
    times_ns = [round(s * 1e9) if ok else None for s, ok in zip(seconds, usable, strict=True)]
    return times_ns, CsvContents(utc_known=False)


def _dated(dated: Sequence[IsoTime | None]) -> tuple[list[int | None], CsvContents]:
    has_zone = all(t.has_zone for t in dated if t is not None)
    contents = CsvContents(utc_known=has_zone)
    if not has_zone:
        contents.remarks.append(
            "its times do not say that they are UTC; they are taken as a clock of the device's own"
        )
    return [None if t is None else t.ns for t in dated], contents
