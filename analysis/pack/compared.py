"""Holds what is packed against what was computed again: text to the letter, figures to their last few digits.

A figure may differ in its last digits between processors and library versions, since sums are taken in another
order: up to 1.5e-9 of it were seen in the demo ride and 7e-8 in one of 3 h with 8 meters, where many unknowns are
solved for. A millionth is more than that makes, and less than anybody could read. Words, whole numbers and what is
unknown must be the same.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

RELATIVE = 1e-6
ABSOLUTE = 1e-7
MISSING = "(nothing)"


@dataclass(frozen=True)
class Difference:
    """`place` within the member: the path of a figure, a cell, or a line."""

    member: str
    place: str
    packed: Any
    again: Any


def same_figure(packed: float, again: float) -> bool:
    if math.isnan(packed) or math.isnan(again):
        return math.isnan(packed) and math.isnan(again)
    return packed == again or math.isclose(packed, again, rel_tol=RELATIVE, abs_tol=ABSOLUTE)


def differences(member: str, packed: bytes, again: bytes) -> Iterator[Difference]:
    """In the order of the file; none where both say the same."""
    if packed == again:
        return iter(())
    compare = {"json": _json, "csv": _csv, "parquet": _parquet}.get(member.rpartition(".")[2], _text)
    try:
        return iter([Difference(member, *found) for found in compare(packed, again)])
    except (ValueError, csv.Error, RecursionError, pa.ArrowException, OSError):
        return iter([Difference(member, "the whole file", "cannot be read", "as computed again")])


_Found = tuple[str, Any, Any]


def _json(packed: bytes, again: bytes) -> Iterator[_Found]:
    # Duplicate keys would let a reader see other figures than those compared here.
    found = list(trees(json.loads(packed, object_pairs_hook=_unique), json.loads(again)))
    yield from found
    if not found and _spelled(packed) != _spelled(again):
        yield ("the way it is written", "other spacing or order", "as computed again")


def _spelled(data: bytes) -> list[str]:
    """Everything but the digits of numbers."""
    return [line.rstrip("0123456789.,+-e ") for line in data.decode().split("\n")]


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        raise ValueError("a key is given twice")
    return table


def trees(packed: Any, again: Any, path: str = "") -> Iterator[_Found]:
    """Differences of two trees of dicts, lists and plain values, with the path to each."""
    if isinstance(packed, dict) and isinstance(again, dict):
        for key in dict.fromkeys([*again, *packed]):
            here = f"{path}.{key}" if path else str(key)
            yield from trees(packed.get(key, MISSING), again.get(key, MISSING), here)
    elif isinstance(packed, list) and isinstance(again, list):
        for n in range(max(len(packed), len(again))):
            one, two = (side[n] if n < len(side) else MISSING for side in (packed, again))
            yield from trees(one, two, f"{path}[{n}]")
    elif not _same(packed, again):
        yield path, packed, again


def _same(packed: Any, again: Any) -> bool:
    if isinstance(packed, float) and isinstance(again, float):
        return same_figure(packed, again)
    return type(packed) is type(again) and packed == again


def _csv(packed: bytes, again: bytes) -> Iterator[_Found]:
    one, two = (list(csv.reader(io.StringIO(data.decode(), newline=""), strict=True)) for data in (packed, again))
    if [len(row) for row in one] != [len(row) for row in two]:
        yield "shape of the table", f"{len(one)} lines", f"{len(two)} lines"
        return
    found = False
    for line, (here, there) in enumerate(zip(one, two, strict=True), 1):
        for column, (a, b) in enumerate(zip(here, there, strict=True)):
            if a != b and not _same_cell(a, b):
                found = True
                yield f"line {line}, {two[0][column]}", a, b
    if not found and packed.count(b"\r\n") != again.count(b"\r\n"):
        yield "the way it is written", "other line ends", "as computed again"


def _same_cell(a: str, b: str) -> bool:
    try:
        # Whole numbers are written without a point, and must be the same.
        return "." in a + b and same_figure(float(a), float(b))
    except ValueError:
        return False


def _parquet(packed: bytes, again: bytes) -> Iterator[_Found]:
    one, two = (pq.read_table(pa.BufferReader(data), page_checksum_verification=True) for data in (packed, again))
    if one.schema != two.schema or one.schema.metadata != two.schema.metadata:
        yield "columns and metadata", str(one.schema)[:200], str(two.schema)[:200]
        return
    for name in two.column_names:
        yield from trees(one[name].to_pylist(), two[name].to_pylist(), name)


def _text(packed: bytes, again: bytes) -> Iterator[_Found]:
    one, two = packed.decode("utf-8", "replace").split("\n"), again.decode("utf-8", "replace").split("\n")
    for n in range(max(len(one), len(two))):
        a, b = (side[n] if n < len(side) else MISSING for side in (one, two))
        if a != b:
            at = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
            yield f"line {n + 1}, character {at + 1}", _around(a, at), _around(b, at)


def _around(line: str, at: int) -> str:
    return line[max(at - 30, 0) : at + 50]
