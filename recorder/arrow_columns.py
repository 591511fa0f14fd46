"""Columns of Python values on their way to Arrow, kept small while they grow: most rows fill few of them.

Made from buffers by hand: `pyarrow.array` would bring in pandas, which costs a recorder more memory than a ride does.
"""

from __future__ import annotations

from collections.abc import Sequence
from operator import index
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

ARROW_TYPES: dict[str, pa.DataType] = {
    "int64": pa.int64(),
    "int32": pa.int32(),
    "float64": pa.float64(),
    "bool": pa.bool_(),
    "binary": pa.binary(),
    "string": pa.string(),
    "words": pa.dictionary(pa.int32(), pa.string()),
}
_NUMBERS: dict[str, type[np.generic]] = {
    "int64": np.int64,
    "int32": np.int32,
    "float64": np.float64,
    "bool": np.bool_,
}
_PYTHON_TYPES: dict[str, tuple[type, ...]] = {
    "int64": (int,),
    "int32": (int,),
    "float64": (int, float),
    "bool": (bool,),
    "binary": (bytes,),
    "string": (str,),
    "words": (str,),
}
_AT_ONCE = 8192
_INT32_MAX = 2**31 - 1


class GrowingColumn:
    """Values are packed block by block, so that few Python objects are alive at a time."""

    def __init__(self, column_type: str) -> None:
        self._type = column_type
        self._present: list[NDArray[np.int64]] = []
        self._packed: list[Any] = []
        self._rows: list[int] = []
        self._values: list[Any] = []
        self._word_numbers: dict[str, int] = {}

    def fits(self, value: object) -> bool:
        """Whether `add` may be given this; False for None."""
        if not isinstance(value, _PYTHON_TYPES[self._type]):
            return False
        if self._type in ("int32", "int64") and isinstance(value, int):
            bounds = np.iinfo(_NUMBERS[self._type])  # type: ignore[type-var]
            return int(bounds.min) <= value <= int(bounds.max)
        return True

    def add(self, row: int, value: Any) -> None:
        """Rows come in rising order; those in between are null."""
        self._rows.append(row)
        self._values.append(value)
        if len(self._values) >= _AT_ONCE:
            self._pack()

    @property
    def is_empty(self) -> bool:
        return not self._packed and not self._values

    def array(self, length: int) -> pa.Array:
        """:raises OverflowError, TypeError, ValueError: for a value that the type does not hold."""
        self._pack()
        present = np.concatenate(self._present) if self._present else np.zeros(0, np.int64)
        nulls = length - len(present)
        bitmap = None
        if nulls:
            valid = np.zeros(length, bool)
            valid[present] = True
            bitmap = _bits(valid)
        if self._type == "words":
            indices = _array("int32", length, [bitmap, pa.py_buffer(self._spread(present, length, np.int32))], nulls)
            return pa.DictionaryArray.from_arrays(indices, _strings(list(self._word_numbers)))
        if self._type in ("binary", "string"):
            return _array(self._type, length, [bitmap, *self._bytes(present, length)], nulls)
        values = self._spread(present, length, _NUMBERS[self._type])
        return _array(
            self._type, length, [bitmap, _bits(values) if self._type == "bool" else pa.py_buffer(values)], nulls
        )

    def _pack(self) -> None:
        if not self._values:
            return
        self._present.append(np.array(self._rows, np.int64))
        self._packed.append(self._block(self._values))
        self._rows, self._values = [], []

    def _block(self, values: list[Any]) -> Any:
        if self._type == "words":
            numbers = self._word_numbers
            return np.array([numbers.setdefault(word, len(numbers)) for word in values], np.int32)
        if self._type in ("binary", "string"):
            pieces = [value.encode() for value in values] if self._type == "string" else values
            return b"".join(pieces), np.array([len(piece) for piece in pieces], np.int64)
        if self._type in ("int64", "int32"):
            # `index` refuses what is no whole number, which numpy would cut off without a word.
            return np.array([index(value) for value in values], _NUMBERS[self._type])
        found = np.array(values)
        if found.dtype.kind not in ("b" if self._type == "bool" else "fiub"):
            raise TypeError(f"values of a column of {self._type} are {found.dtype}")
        return found.astype(_NUMBERS[self._type])

    def _spread(self, present: NDArray[np.int64], length: int, dtype: type[np.generic]) -> NDArray[Any]:
        values = np.zeros(length, dtype)
        if self._packed:
            values[present] = np.concatenate(self._packed)
        return values

    def _bytes(self, present: NDArray[np.int64], length: int) -> tuple[pa.Buffer, pa.Buffer]:
        lengths = np.zeros(length, np.int64)
        if self._packed:
            lengths[present] = np.concatenate([sizes for _, sizes in self._packed])
        ends = np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)])
        if ends[-1] > _INT32_MAX:
            raise OverflowError(f"{ends[-1]} bytes do not fit into one column of a row group")
        return pa.py_buffer(ends.astype(np.int32)), pa.py_buffer(b"".join(piece for piece, _ in self._packed))


def nulls(column_type: str, length: int) -> pa.Array:
    return GrowingColumn(column_type).array(length)


def _bits(values: NDArray[Any]) -> pa.Buffer:
    return pa.py_buffer(np.packbits(values, bitorder="little").tobytes())


def _strings(words: Sequence[str]) -> pa.Array:
    column = GrowingColumn("string")
    for row, word in enumerate(words):
        column.add(row, word)
    return column.array(len(words))


def _array(column_type: str, length: int, buffers: list[pa.Buffer | None], nulls: int) -> pa.Array:
    found = pa.Array.from_buffers(ARROW_TYPES[column_type], length, buffers, nulls)
    found.validate()
    return found
