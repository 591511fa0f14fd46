"""Follows the journal of a running recording from another process, and keeps all its rows as samples."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.characteristics.not_understood import NotUnderstood
from analysis.decoding import RowDecoder
from analysis.row_samples import SampleGatherer
from analysis.rows import Row
from recorder import journal_frames as frames
from recorder.errors import JournalDamaged
from recorder.journal import merge_patch
from recorder.journal_frames import Frame, Header, Json, Stream

BYTES_AT_ONCE = 64 * 1024  # some 1,500 rows


@dataclass
class _Growing:
    """One file, how far it was read, and what behind its last sound frame waits for the rest."""

    path: Path
    offset: int = 0
    tail: bytes = b""
    foreign: bool = False

    def grow(self, limit: int) -> int:
        """How many bytes came; none where the file is gone or cannot be read at the moment."""
        try:
            with self.path.open("rb") as file:
                file.seek(self.offset)
                data = file.read(limit)
        except OSError:
            return 0
        self.offset += len(data)
        self.tail += data
        return len(data)


class JournalFollower:
    """Hands out each row once, in the order in which it was written.

    `paths` gives the files of the journal as they are known at the moment, in order. Of frames that are damaged and
    stand again in a later file only those behind the last one seen are taken: all others are left to the recording.
    """

    def __init__(self, paths: Callable[[], Sequence[Path]]) -> None:
        self.metadata: Json = {}
        self.end: Json | None = None
        self.behind = False  # whether more can be read at once
        self._paths = paths
        self._files: list[_Growing] = []
        self._header: Header | None = None
        self._streams: dict[int, Stream] = {}
        self._last = 0

    @property
    def session_id(self) -> str | None:
        return None if self._header is None else self._header.session_id

    def read(self, limit: int = BYTES_AT_ONCE) -> list[Row]:
        """Rows that are new, from at most so many bytes.

        :raises JournalDamaged: where a newer version writes this journal.
        """
        # Asked before reading: a file that has a successor by then grows no more.
        self._look_for_files()
        rows: list[Row] = []
        self.behind = False
        for file in [f for f in self._files if not f.foreign]:
            came = file.grow(limit)
            if came and self._begun(file):
                rows += self._rows_in(file)
            limit -= came
            if limit <= 0:
                self.behind = True
                break
        return rows

    def _look_for_files(self) -> None:
        known = {file.path for file in self._files}
        self._files += [_Growing(path) for path in self._paths() if path not in known]

    def _rows_in(self, file: _Growing) -> list[Row]:
        rows, good_end = [], 0
        for frame in frames.sound_frames(file.tail, self._header.seed if self._header else 0):
            good_end = frame.offset + frame.length
            row = self._take(frame)
            if row is not None:
                rows.append(row)
        file.tail = file.tail[good_end:]
        return rows

    def _begun(self, file: _Growing) -> bool:
        """Whether this file is of the session, as its header says; one without a readable header has to wait."""
        if file.offset > len(file.tail):
            return True  # something in it was read before
        header = frames.find_header(file.tail)
        if header is None:
            return False
        if header.version > frames.FORMAT_VERSION:
            raise JournalDamaged(f"this journal has version {header.version}: a newer wattproof is needed to read it")
        if self._header is None:
            self._header = header
        file.foreign = not header.same_session(self._header)  # another recorder moved to the same fallback folder
        return not file.foreign

    def _take(self, frame: Frame) -> Row | None:
        if frame.frame_type == frames.HEADER:
            self._take_header(frame)
        elif frame.frame_type == frames.STREAM:
            entry = frames.stream_of(frame)
            self._streams.update([entry] if entry else [])
        elif frame.sequence > self._last:
            self._last = frame.sequence
            if frame.frame_type not in (frames.METADATA, frames.END):
                return frames.row_of(frame, self._streams)
            value = frames.from_json(frame.body)
            if isinstance(value, dict):
                self._take_said(frame.frame_type, value)
        return None

    def _take_said(self, frame_type: int, value: Json) -> None:
        if frame_type == frames.METADATA:
            self.metadata = merge_patch(self.metadata, value)
        else:
            self.end = value

    def _take_header(self, frame: Frame) -> None:
        header = frames.header_of(frame)
        if header is not None and frame.sequence >= self._last:
            self.metadata = header.metadata
            self._streams.update(enumerate(header.streams))


@dataclass
class LiveWindow:
    """A follower whose rows become samples, decoded as they will be in the recording."""

    follower: JournalFollower
    gatherer: SampleGatherer = field(default_factory=SampleGatherer)
    _decoder: RowDecoder = field(default_factory=RowDecoder)

    def refresh(self) -> int:
        """Read on, bounded in work; how many rows came. Call again at once while `follower.behind`."""
        rows = self.follower.read()
        self.take(rows)
        return len(rows)

    def take(self, rows: Iterable[Row]) -> None:
        """Rows from wherever."""
        for row in sorted(rows, key=lambda row: row.host_ns):
            self.gatherer.add(row, self._fields(row))

    def _fields(self, row: Row) -> dict[str, Any]:
        try:
            return self._decoder.fields(row)
        except NotUnderstood:
            return {}  # the recorder has written an event about it
