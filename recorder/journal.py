"""A session's rows as the frames of a journal, in the order in which they must be written. No file, no clock.

Rows, metadata and the end marker are numbered from 1. A header is written twice, repeated now and then and at the
start of each further file; it carries the number of the last frame before it, and all that reading needs to know.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from typing import Any
from zlib import crc32

from analysis.rows import Row, RowKind
from recorder import journal_frames as frames
from recorder.journal_frames import Header, Json, Stream


class JournalEncoder:
    """Makes the frames of one session in order; what it returns must be written in that order."""

    def __init__(self, session_id: str, header: Mapping[str, Any], seed: int) -> None:
        """`seed` is a 32-bit number that nobody outside can guess."""
        self.session_id = session_id
        self.sequence = 0
        self._seed = seed & 0xFFFFFFFF
        self._metadata: Json = frames.from_json(frames.to_json(header))
        self._streams: dict[Stream, int] = {}
        self._packers: dict[int, tuple[Callable[..., bytes], bytes]] = {}  # by length of the payload

    def preamble(self) -> bytes:
        """What every file begins with: all that is needed to read rows without the files before it."""
        header = Header(self.session_id, self._seed, list(self._streams), self._metadata)
        return 2 * frames.frame_bytes(frames.HEADER, self.sequence, frames.header_body(header), self._seed)

    def payload(
        self,
        host_ns: int,
        sensor: str | None,
        characteristic: str | None,
        payload: bytes,
        row_kind: RowKind = "notification",
    ) -> bytes:
        """A row without origin or event: the short way, since it stands between the radio and the disk."""
        try:
            stream = self._streams[sensor, characteristic, row_kind]
            pack, opening = self._packers[len(payload)]
        except KeyError:
            return self._first_payload(Row(host_ns, row_kind, sensor, characteristic, payload))
        sequence = self.sequence + 1
        covered = pack(opening, sequence, host_ns, stream, payload)
        self.sequence = sequence
        return covered + crc32(covered, self._seed).to_bytes(4, "little")

    def row(self, row: Row) -> bytes:
        """Any row. Raises TypeError or ValueError where `detail` is no JSON or the row is larger than 1 MiB."""
        if row.payload is None or row.event is not None or row.detail or len(row.payload) > frames.MAX_PAYLOAD_BYTES:
            return self._numbered(frames.JSON_ROW, frames.json_row_body(row))
        try:
            if row.origin_ns is None and row.origin_seq is None:
                return self.payload(row.host_ns, row.sensor, row.characteristic, row.payload, row.row_kind)
            if row.origin_ns is not None and row.origin_seq is not None:
                return self._with_origin(row)
        except struct.error:
            pass  # a number beyond 64 bits goes the long way
        return self._numbered(frames.JSON_ROW, frames.json_row_body(row))

    def metadata(self, update: Mapping[str, Any]) -> bytes:
        """Change the header's metadata as by RFC 7396: objects are merged, null removes, the rest replaces."""
        frame = self._numbered(frames.METADATA, frames.to_json(update))
        self._metadata = merge_patch(self._metadata, update)
        return frame

    def end(self, end: Mapping[str, Any]) -> bytes:
        """The end marker. A journal without one was not ended properly."""
        return self._numbered(frames.END, frames.to_json(end))

    def _first_payload(self, row: Row) -> bytes:
        payload = row.payload or b""
        definition = self._define((row.sensor, row.characteristic, row.row_kind))
        if definition is None or len(payload) > frames.MAX_PAYLOAD_BYTES:
            return self._numbered(frames.JSON_ROW, frames.json_row_body(row))
        self._packers[len(payload)] = frames.row_packer(len(payload))
        return definition + self.payload(row.host_ns, row.sensor, row.characteristic, payload, row.row_kind)

    def _with_origin(self, row: Row) -> bytes:
        stream: Stream = (row.sensor, row.characteristic, row.row_kind)
        definition = self._define(stream)
        if definition is None:
            return self._numbered(frames.JSON_ROW, frames.json_row_body(row))
        body = frames.origin_row_body(row, self._streams[stream])
        return definition + self._numbered(frames.ROW_WITH_ORIGIN, body)

    def _define(self, stream: Stream) -> bytes | None:
        """The frames that give a new stream its index: twice, since losing one must not cost the stream."""
        if stream in self._streams:
            return b""
        index = len(self._streams)
        if index >= frames.MAX_STREAMS:
            return None
        definition = frames.frame_bytes(frames.STREAM, self.sequence, frames.stream_body(index, stream), self._seed)
        self._streams[stream] = index
        return 2 * definition

    def _numbered(self, frame_type: int, body: bytes) -> bytes:
        frame = frames.frame_bytes(frame_type, self.sequence + 1, body, self._seed)
        self.sequence += 1
        return frame


def merge_patch(target: Any, patch: Any) -> Any:
    """JSON Merge Patch, RFC 7396 section 2; `target` is left as it was."""
    if not isinstance(patch, Mapping):
        return patch
    merged = dict(target) if isinstance(target, Mapping) else {}
    for key, value in patch.items():
        if value is None:
            merged.pop(key, None)
        else:
            merged[key] = merge_patch(merged.get(key), value)
    return merged
