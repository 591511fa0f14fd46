"""The bytes of a journal's files as rows, metadata and damage. No file, no clock."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from recorder import journal_frames as frames
from recorder.errors import JournalDamaged
from recorder.journal import merge_patch
from recorder.journal_frames import Frame, Header, Json, Stream
from recorder.journal_rows import NO_STREAM, JournalRows, RowPlaces


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
    rows: JournalRows
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
    merge = _Merge(first, segments)
    for number, (data, header) in enumerate(zip(segments, headers, strict=True)):
        if header is None or header.same_session(first):
            merge.take(number, data)
    return merge.contents()


class _Merge:
    """Collects the frames of several files by sequence number."""

    def __init__(self, first: Header, segments: Sequence[bytes]) -> None:
        self._first = first
        self._streams: dict[int, Stream] = {}
        self._places = RowPlaces(segments)
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
            if not self._take_frame(segment, frame):
                self._unread.append((segment, frame))
        self._torn_tail_bytes += len(data) - good_end

    def _take_frame(self, segment: int, frame: Frame) -> bool:
        """False where the frame cannot be understood, or not yet: its stream may be defined further on."""
        if frame.frame_type == frames.ROW:
            return self._take_row(segment, frame)
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
        return self._take_row(segment, frame)

    def _take_row(self, segment: int, frame: Frame) -> bool:
        found = frames.time_and_stream_of(frame)
        if found is not None:
            if found[1] in self._streams:
                self._places.add(segment, frame.offset, frame.sequence, *found)
                return True
            return False
        row = frames.row_of(frame, self._streams)
        if row is not None:
            self._places.add(segment, frame.offset, frame.sequence, row.host_ns, NO_STREAM)
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
            if not self._take_frame(segment, frame)
        )
        ends = [value for _, (frame_type, value) in sorted(self._said.items()) if frame_type == frames.END]
        rows = self._places.rows(self._streams)
        return JournalContents(
            session_id=self._first.session_id,
            header=self._first.metadata,
            metadata=self._merged_metadata(),
            rows=rows,
            end=ends[-1] if ends else None,
            damaged=tuple(sorted(self._damaged, key=lambda damage: (damage.segment, damage.offset))),
            missing=tuple(_gaps(rows, self._said)),
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


def _gaps(rows: JournalRows, said: Iterable[int]) -> Iterator[tuple[int, int]]:
    numbers = rows.sequences
    among = np.setdiff1d(np.array(sorted(said), np.uint64), numbers)
    numbers = np.insert(numbers, np.searchsorted(numbers, among), among)
    before = np.concatenate([np.zeros(1, np.uint64), numbers[:-1]])
    # Number 0 stands in front of the first; no frame that counts has it, but what is read may say so.
    for place in np.flatnonzero(numbers > before + np.uint64(1)):
        yield int(before[place]) + 1, int(numbers[place]) - 1
