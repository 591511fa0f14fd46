"""What of a Parquet file lies at a byte: the row group and column, or the footer."""

from __future__ import annotations

import struct

import pyarrow as pa
import pyarrow.parquet as pq


def parquet_place(content: bytes, offset: int) -> str:
    """In words; empty where the footer itself cannot be read to tell."""
    size = len(content)
    if offset < 4:
        return "its first four bytes, which mark a Parquet file"
    if offset >= size - 8:
        return "its last eight bytes, length and mark of the footer"
    (footer,) = struct.unpack("<I", content[-8:-4])
    if offset >= size - 8 - footer:
        return "its footer: schema, metadata and places of the columns"
    try:
        metadata = pq.read_metadata(pa.BufferReader(content))
    except (OSError, ValueError, pa.ArrowException):
        return ""
    rows = 0
    for group in range(metadata.num_row_groups):
        row_group = metadata.row_group(group)
        for number in range(row_group.num_columns):
            column = row_group.column(number)
            start = column.dictionary_page_offset or column.data_page_offset
            if start <= offset < start + column.total_compressed_size:
                last = rows + row_group.num_rows - 1
                return f"row group {group} (rows {rows} to {last}), column {column.path_in_schema}"
        rows += row_group.num_rows
    return "between its columns"
