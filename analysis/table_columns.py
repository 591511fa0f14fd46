"""How a table on disk is made of findings: columns with their type, what is unknown as null, text made harmless."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from operator import attrgetter
from typing import Any, get_type_hints

import pyarrow as pa

from analysis.safe_text import safe_text

TEXT, WHOLE, NUMBER, FLAG = pa.string(), pa.int64(), pa.float64(), pa.bool_()
_TEXT_LIMIT = 200


@dataclass(frozen=True)
class Column:
    name: str
    type: pa.DataType
    of: Callable[[Any], Any]


def made_table(columns: Sequence[Column], entities: Iterable[Any]) -> pa.Table:
    """One row per entity; the same columns without any."""
    rows = list(entities)
    arrays = [pa.array([_known(c.of(row)) for row in rows], c.type) for c in columns]
    return pa.table(arrays, schema=pa.schema([pa.field(c.name, c.type) for c in columns]))


def of_part(columns: Iterable[Column], number: int) -> list[Column]:
    """Columns of one part of an entity that is a tuple."""
    return [Column(c.name, c.type, partial(_of_part, c, number)) for c in columns]


def fields_of(kind: type, *left_out: str) -> list[Column]:
    """Every field of a flat dataclass; words of a fixed list are text."""
    types = {float: NUMBER, int: WHOLE, bool: FLAG}
    told = get_type_hints(kind).items()
    return [Column(name, types.get(hint, TEXT), attrgetter(name)) for name, hint in told if name not in left_out]


def or_none(words: str) -> str | None:
    """Reasons that need not be given are null, as other findings that are not there."""
    return words or None


def _known(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    # Control characters survive neither CSV nor a spreadsheet; the recording keeps them.
    return safe_text(value, _TEXT_LIMIT) if isinstance(value, str) else value


def _of_part(column: Column, number: int, parts: tuple[Any, ...]) -> Any:
    return column.of(parts[number])
