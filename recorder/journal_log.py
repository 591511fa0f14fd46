"""The journal as a session writes to it: rows and metadata in, frames to the file, troubles told to people."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from analysis.rows import Event, Row, RowKind
from recorder.journal import JournalEncoder
from recorder.journal_file import JournalFile
from recorder.source import RecordSink


class JournalLog:
    """A `recorder.recording_session.RowLog`."""

    def __init__(self, encoder: JournalEncoder, file: JournalFile) -> None:
        self._encoder = encoder
        self._file = file

    def append_payload(
        self, host_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind
    ) -> None:
        self._file.append(self._encoder.payload(host_ns, sensor, characteristic, payload, row_kind))

    def append_row(self, row: Row) -> None:
        self._file.append(self._encoder.row(row))

    def append_metadata(self, update: Mapping[str, Any]) -> None:
        self._file.append(self._encoder.metadata(update))

    def written(self) -> int:
        return self._file.appended_frames

    def safe(self) -> int:
        return self._file.settled_frames


class StorageWords:
    """Hears of the journal's troubles; says them to people and keeps them as rows of the recording."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self.sink: RecordSink | None = None

    def __call__(self, words: str, detail: Mapping[str, Any]) -> None:
        self._say(words)
        # Told from within an append: its own row has to wait until that append is over.
        asyncio.get_running_loop().call_soon(self._keep, words, dict(detail))

    def _keep(self, words: str, detail: dict[str, Any]) -> None:
        if self.sink is not None:
            self.sink.happened(Event.STORAGE, words=words, **detail)
