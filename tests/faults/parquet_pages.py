"""Where the pages of a Parquet file lie, read from their headers by hand: Thrift's compact protocol, as published.

Field numbers are those of `parquet.thrift` in the format's own repository: PageHeader 3 is the compressed size.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as pq

_COMPRESSED_PAGE_SIZE = 3
_STRUCT, _LIST, _SET, _BINARY, _DOUBLE, _BYTE, _TRUE, _FALSE = 12, 9, 10, 8, 7, 3, 1, 2


@dataclass(frozen=True)
class Page:
    column: str
    start: int
    length: int


def pages_of(path: Path) -> Iterator[Page]:
    """The body of each page of each column of each row group."""
    data = path.read_bytes()
    metadata = pq.read_metadata(path)
    for group in range(metadata.num_row_groups):
        for number in range(metadata.num_columns):
            column = metadata.row_group(group).column(number)
            starts = [column.data_page_offset]
            if column.has_dictionary_page:
                starts.append(column.dictionary_page_offset)
            place = min(starts)
            stop = place + column.total_compressed_size
            while place < stop:
                header = _Header(data, place)
                yield Page(column.path_in_schema, header.place, header.fields[_COMPRESSED_PAGE_SIZE])
                place = header.place + header.fields[_COMPRESSED_PAGE_SIZE]


class _Header:
    """`fields` holds the whole numbers of the outermost structure, `place` is where the page's body begins."""

    def __init__(self, data: bytes, place: int) -> None:
        self.place = place
        self._data = data
        self.fields = self._struct()

    def _byte(self) -> int:
        self.place += 1
        return self._data[self.place - 1]

    def _varint(self) -> int:
        value = shift = 0
        while True:
            byte = self._byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def _zigzag(self) -> int:
        value = self._varint()
        return (value >> 1) ^ -(value & 1)

    def _struct(self) -> dict[int, int]:
        fields: dict[int, int] = {}
        field = 0
        while head := self._byte():
            field = field + (head >> 4) if head >> 4 else self._zigzag()
            value = self._value(head & 0x0F)
            if value is not None:
                fields[field] = value
        return fields

    def _value(self, kind: int) -> int | None:
        if kind in (_TRUE, _FALSE):
            return None
        if kind == _STRUCT:
            self._struct()
        elif kind == _BINARY:
            length = self._varint()
            self.place += length
        elif kind == _DOUBLE:
            self.place += 8
        elif kind == _BYTE:
            self.place += 1
        elif kind in (_LIST, _SET):
            head = self._byte()
            size = head >> 4 if head >> 4 < 15 else self._varint()
            for _ in range(size):
                self._value(head & 0x0F)
        else:
            return self._zigzag()
        return None
