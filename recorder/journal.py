"""A session's rows as the frames of a journal, and the bytes of its files as rows again. No file, no clock.

Rows, metadata and the end marker are numbered from 1. A header is written twice, repeated now and then and at the
start of each further file; it carries the number of the last frame before it, and all that reading needs to know.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO
from zlib import crc32

from analysis.rows import Row, RowKind
from recorder import journal_frames as frames
from recorder.errors import JournalDamaged
from recorder.journal_frames import MAGIC, ROW, ROW_FIXED_BYTES, Frame, Header, Json, Stream


class JournalEncoder:
    """Makes the frames of one session in order; what it returns must be written in that order."""

    def __init__(self, session_id: str, header: Mapping[str, Any], seed: int) -> None:
        """`seed` is a 32-bit number that nobody outside can guess."""
        self.session_id = session_id
        self.sequence = 0
        self._seed = seed & 0xFFFFFFFF
        self._metadata: Json = frames.from_json(frames.to_json(header))
        self._streams: dict[Stream, int] = {}
        self._packers: dict[int, Callable[..., bytes]] = {}

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
            pack = self._packers[len(payload)]
        except KeyError:
            return self._first_payload(Row(host_ns, row_kind, sensor, characteristic, payload))
        sequence = self.sequence + 1
        covered = pack(MAGIC, len(payload) + ROW_FIXED_BYTES, ROW, sequence, host_ns, stream, payload)
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


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of one file that could not be read."""

    segment: int
    offset: int
    length: int


@dataclass(frozen=True)
class JournalContents:
    """All that could be read, in order. `missing` holds first and last number of each run of lost frames."""

    session_id: str
    header: Json
    metadata: Json
    rows: tuple[Row, ...]
    end: Json | None
    damaged: tuple[Damage, ...]
    missing: tuple[tuple[int, int], ...]
    torn_tail_bytes: int

    @property
    def missing_count(self) -> int:
        return sum(last - first + 1 for first, last in self.missing)


def replay(data: bytes | memoryview | BinaryIO) -> JournalContents:
    """One file. Raises JournalDamaged, and nothing else whatever the bytes, where no header can be found."""
    return replay_segments([bytes(data) if isinstance(data, bytes | memoryview) else data.read()])


def replay_segments(segments: Sequence[bytes]) -> JournalContents:
    """The files of one session in the order they were begun; what stands in several of them is taken once.

    Files of another session are passed over. Raises JournalDamaged where no file has a readable header, or where a
    newer version wrote it.
    """
    headers = [frames.find_header(data) for data in segments]
    first = next((header for header in headers if header is not None), None)
    if first is None:
        raise JournalDamaged("no header of a journal can be read: these bytes are no journal, or damaged throughout")
    if first.version > frames.FORMAT_VERSION:
        raise JournalDamaged(f"this journal has version {first.version}: a newer wattproof is needed to read it")
    merge = _Merge(first)
    for number, (data, header) in enumerate(zip(segments, headers, strict=True)):
        if header is None or header.same_session(first):
            merge.take(number, data)
    return merge.contents()


class _Merge:
    """Collects the frames of several files by sequence number."""

    def __init__(self, first: Header) -> None:
        self._first = first
        self._streams: dict[int, Stream] = {}
        self._rows: dict[int, Row] = {}
        self._said: dict[int, tuple[int, Json]] = {}
        self._headers: dict[int, Json] = {}
        self._unread: list[tuple[int, Frame]] = []
        self._damaged: list[Damage] = []
        self._torn_tail_bytes = 0

    def take(self, segment: int, data: bytes) -> None:
        good_end = 0
        for frame in frames.sound_frames(data, self._first.seed):
            if frame.offset > good_end:
                self._damaged.append(Damage(segment, good_end, frame.offset - good_end))
            good_end = frame.offset + frame.length
            if not self._take_frame(frame):
                self._unread.append((segment, frame))
        self._torn_tail_bytes += len(data) - good_end

    def _take_frame(self, frame: Frame) -> bool:
        """False where the frame cannot be understood, or not yet: its stream may be defined further on."""
        if frame.frame_type == frames.HEADER:
            return self._take_header(frame)
        if frame.frame_type == frames.STREAM:
            entry = frames.stream_of(frame)
            self._streams.update([entry] if entry else [])
            return entry is not None
        if frame.frame_type in (frames.METADATA, frames.END):
            value = frames.from_json(frame.body)
            if isinstance(value, dict):
                self._said.setdefault(frame.sequence, (frame.frame_type, value))
            return isinstance(value, dict)
        row = frames.row_of(frame, self._streams)
        if row is not None:
            self._rows.setdefault(frame.sequence, row)
        return row is not None

    def _take_header(self, frame: Frame) -> bool:
        header = frames.header_of(frame)
        if header is None or not header.same_session(self._first):
            return False
        self._headers[frame.sequence] = header.metadata
        self._streams.update(enumerate(header.streams))
        return True

    def contents(self) -> JournalContents:
        self._damaged += (
            Damage(segment, frame.offset, frame.length)
            for segment, frame in self._unread
            if not self._take_frame(frame)
        )
        ends = [value for _, (frame_type, value) in sorted(self._said.items()) if frame_type == frames.END]
        return JournalContents(
            session_id=self._first.session_id,
            header=self._first.metadata,
            metadata=self._merged_metadata(),
            rows=tuple(row for _, row in sorted(self._rows.items())),
            end=ends[-1] if ends else None,
            damaged=tuple(sorted(self._damaged, key=lambda damage: (damage.segment, damage.offset))),
            missing=tuple(_gaps(sorted({*self._rows, *self._said}))),
            torn_tail_bytes=self._torn_tail_bytes,
        )

    def _merged_metadata(self) -> Json:
        """A header holds all changes up to its own number, so it replaces what was merged before."""
        metadata: Json = {}
        for number in sorted({*self._headers, *self._said}):
            frame_type, update = self._said.get(number, (frames.END, {}))
            if frame_type == frames.METADATA:
                metadata = merge_patch(metadata, update)
            metadata = self._headers.get(number, metadata)
        return metadata


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


def _gaps(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
    expected = 1
    for number in numbers:
        if number > expected:
            yield expected, number - 1
        expected = number + 1
