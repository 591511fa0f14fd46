"""Keeps a session's frames from harm: file after file, the last minutes in memory, one thread that syncs.

What `append` was given is with the operating system when it returns, or waits in memory and the listener was told.
A file whose sync has failed is never synced again, since a second sync reports success for data that is gone: a new
file is begun, and all that was not safe is written there once more.
"""

from __future__ import annotations

import asyncio
import errno
import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from recorder.errors import FolderUnusable
from recorder.frame_memory import FrameMemory
from recorder.journal import JournalEncoder
from recorder.journal_segments import FULL, Segment, ballast_path, segment_path
from recorder.storage import Storage

BALLAST_BYTES = 256 * 1024
# Once more soon, so that a short ride outlives its first page, then only now and then.
FIRST_REPEAT_BYTES = 8 * 1024
PREAMBLE_EVERY_BYTES = 256 * 1024
CHUNK_BYTES = 4096
SLOW_S, WELL_S = 1.0, 0.5

T = TypeVar("T")
TroubleListener = Callable[[str, Mapping[str, Any]], None]


class JournalFile:
    """One session's journal, made new and never opened again. Lives in the event loop's thread."""

    def __init__(
        self,
        storage: Storage,
        folder: Path,
        stem: str,
        encoder: JournalEncoder,
        clock_ns: Callable[[], int],
        on_trouble: TroubleListener,
        fallback_folder: Path | None = None,
    ) -> None:
        """Begins the first file. Raises FolderUnusable. `on_trouble(words, detail)` is called once per change."""
        self.paths: list[Path] = []
        self.appended_frames = 0
        self._storage = storage
        self._folders = [folder] if fallback_folder is None else [folder, fallback_folder]
        self._stem = stem
        self._encoder = encoder
        self._clock_ns = clock_ns
        self._on_trouble = on_trouble
        self._memory = FrameMemory()
        self._unsynced: list[bytes] = []
        self._next_number = 1
        self._lost_at_end = 0
        self._fallen_out_told = 0
        self._fallen_out_mended = 0
        self._failure: OSError | None = None
        self._moved_because: OSError | None = None
        self._told = "well"
        self._sync_began_ns: int | None = None
        self._sync_s = 0.0
        self._round: asyncio.Task[None] | None = None
        self._closed = False
        self._has_ballast = False
        self._ballast = ballast_path(folder, stem)
        try:
            self._begin_ballast()
            self._adopt(Segment(storage, segment_path(folder, stem, 1), encoder.preamble()))
        except OSError as error:
            self._free_ballast()
            raise FolderUnusable(f"cannot begin a journal in {folder}: {_cause(error)}") from error
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")

    @property
    def waiting_frames(self) -> int:
        """How many frames are only in memory, since they could not be written yet."""
        return len(self._memory)

    @property
    def lost_frames(self) -> int:
        return self._memory.fallen_out + self._lost_at_end

    @property
    def settled_frames(self) -> int:
        """Of `appended_frames`, counted from the first, those that are synced, or lost and told."""
        return self.appended_frames - len(self._memory) - len(self._unsynced)

    def append(self, frame: bytes) -> None:
        """Never raises. After `finish` it does nothing."""
        self.appended_frames += 1
        if self._direct:
            try:
                self._put(frame)
            except OSError as error:
                self._hold_back(error)
                self._memory.push(self._clock_ns(), frame)
                self._tell()
            else:
                self._unsynced.append(frame)
        elif not self._closed:
            self._memory.push(self._clock_ns(), frame)

    def tick(self) -> None:
        """To be called each second: begins a round of writing and syncing, unless one is under way."""
        if self._round is not None and not self._round.done():
            self._tell()
        elif not self._closed:
            self._begin_round()

    async def run(self) -> None:
        """`tick` each second until cancelled."""
        while True:
            await asyncio.sleep(1.0)
            self.tick()

    async def sync(self) -> None:
        """One round, or the rest of the one under way. Cancelling the caller does not cut the round short."""
        self.tick()
        await self._round_end()

    async def finish(self, end: Mapping[str, Any]) -> None:
        """Write the end marker and sync. What no attempt could save is counted in `lost_frames` and said."""
        await self.sync()
        self.append(self._encoder.end(end))
        self._closed = True
        self._direct = False
        if not await self._is_settled(attempts=3) and self._segment is not None and len(self._folders) > 1:
            self._folders.reverse()
            self._segment.broken = True
        if not await self._is_settled(attempts=2):
            self._free_ballast()
            self._memory.move_last_to_front()  # the end marker, before rows take up its place
            await self._is_settled(attempts=3, chunk_bytes=1)
        self._lost_at_end = len(self._memory)
        if self._segment is not None:
            await self._in_thread(self._segment.close)
        self._free_ballast()
        self._thread.shutdown(wait=False)
        self._tell()

    async def _is_settled(self, attempts: int, chunk_bytes: int = CHUNK_BYTES) -> bool:
        for _ in range(attempts):
            if self._memory or self._unsynced:
                self._begin_round(chunk_bytes)
                await self._round_end()
        return not self._memory and not self._unsynced

    def _begin_round(self, chunk_bytes: int = CHUNK_BYTES) -> None:
        if self._round is not None and self._round.done():
            self._round.result()  # a fault of our own must not stay unseen
        self._round = asyncio.get_running_loop().create_task(self._write_and_sync(chunk_bytes))

    async def _round_end(self) -> None:
        if self._round is not None:
            await asyncio.wait([self._round])
            self._round.result()

    async def _write_and_sync(self, chunk_bytes: int) -> None:
        if self._segment is None or self._segment.broken:
            await self._move()
        self._write_waiting(chunk_bytes)
        self._repeat_preamble()
        await self._sync_file()
        if self._segment is not None and self._segment.broken:
            await self._move()
            self._write_waiting(chunk_bytes)
        self._tell()

    def _adopt(self, segment: Segment) -> None:
        self._segment: Segment | None = segment
        self._put = segment.put
        self._preamble_due = segment.size + FIRST_REPEAT_BYTES
        self._next_number += 1
        self._direct = not self._memory and not self._closed
        self.paths.append(segment.path)

    def _hold_back(self, error: OSError) -> None:
        self._failure = error
        self._direct = False

    async def _move(self) -> None:
        """To a new file: in the same folder, or else in the other one; everything not safe will be written there."""
        self._direct = False
        self._memory.push_front(self._clock_ns(), self._unsynced)
        self._unsynced = []
        if self._segment is not None:
            await self._in_thread(self._segment.close)
            self._segment = None
        preamble = self._encoder.preamble()
        cause = self._failure
        for folder in self._folders:
            path = segment_path(folder, self._stem, self._next_number)
            try:
                self._adopt(await self._in_thread(Segment, self._storage, path, preamble))
            except OSError as error:
                self._failure = error
                self._next_number += isinstance(error, FileExistsError)
            else:
                self._moved_because = cause
                return

    def _write_waiting(self, chunk_bytes: int) -> None:
        segment = self._segment
        if not self._memory or segment is None or segment.broken:
            return
        try:
            if self._memory.fallen_out > self._fallen_out_mended:
                segment.put(self._encoder.preamble())  # what defines the streams may have fallen out as well
                self._fallen_out_mended = self._memory.fallen_out
            while frames := self._memory.head(chunk_bytes):
                segment.put(b"".join(frames))
                self._memory.drop(len(frames))
                self._unsynced += frames
        except OSError as error:
            self._hold_back(error)
        else:
            self._direct = not self._closed

    def _repeat_preamble(self) -> None:
        segment = self._segment
        if not self._direct or segment is None or segment.size < self._preamble_due:
            return
        try:
            segment.put(self._encoder.preamble())
            self._preamble_due = segment.size + PREAMBLE_EVERY_BYTES
        except OSError as error:
            self._hold_back(error)

    async def _sync_file(self) -> None:
        segment, count = self._segment, len(self._unsynced)
        if segment is None or segment.broken or not count:
            return
        self._sync_began_ns = self._clock_ns()
        try:
            await self._in_thread(segment.sync)
        except OSError as error:
            self._hold_back(error)
        else:
            del self._unsynced[:count]
        self._sync_s = self._sync_time_s()
        self._sync_began_ns = None

    def _sync_time_s(self) -> float:
        return self._sync_s if self._sync_began_ns is None else (self._clock_ns() - self._sync_began_ns) / 1e9

    async def _in_thread(self, work: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *args)

    def _tell(self) -> None:
        """Put the present state into words, where it is not the one told last."""
        fallen_out = self._memory.fallen_out - self._fallen_out_told
        full = self._failure is not None and self._failure.errno in FULL
        trouble = "disk full" if full else f"disk error ({_cause(self._failure)})"
        sync_s = max(self._sync_s, self._sync_time_s())
        if self._lost_at_end:
            self._say("lost", f"{trouble}: {self._lost_at_end} records could not be saved", self._failure)
        elif self._memory and fallen_out:
            self._say("losing", f"{trouble}, memory full: the oldest records are being lost", self._failure)
        elif self._memory:
            minutes = self._memory.minutes_left(self._clock_ns())
            words = f"{trouble}, keeping data in memory, {minutes} min left"
            self._say(f"memory {minutes}", words, self._failure)
        elif self._moved_because is not None:
            cause, self._moved_because = self._moved_because, None
            path = self.paths[-1]
            self._say(f"in {path}", f"disk error ({_cause(cause)}), recording continues in {path.parent}", cause)
        elif sync_s >= SLOW_S or (self._told == "slow" and sync_s >= WELL_S):
            self._say("slow", f"disk slow: {sync_s:.1f} s", None)
        elif fallen_out:
            self._fallen_out_told = self._memory.fallen_out
            self._say("well", f"disk well again, {fallen_out} records lost", None)
        elif not self._told.startswith("in "):
            self._say("well", "disk well again", None)

    def _say(self, state: str, words: str, cause: OSError | None) -> None:
        if state == self._told:
            return
        self._told = state  # before the call: the listener will record the words, and come back here
        kind, _, _ = state.partition(" ")
        waiting, lost = len(self._memory), self.lost_frames
        detail = {"state": kind, "waiting": waiting, "lost": lost, "cause": cause and str(cause)}
        self._on_trouble(words, detail)

    def _begin_ballast(self) -> None:
        """Space that is given back when the disk is full at the end, so that the end marker still fits."""
        fd = self._storage.open_new(self._ballast)
        self._has_ballast = True
        try:
            # Random, because some file systems keep zeros without using space for them.
            if self._storage.write(fd, os.urandom(BALLAST_BYTES)) != BALLAST_BYTES:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        finally:
            self._storage.close(fd)  # an open file would keep its space after it is gone

    def _free_ballast(self) -> None:
        if self._has_ballast:
            with suppress(OSError):  # only space is at stake; the next write tells whether there is some
                self._storage.unlink(self._ballast)
            self._has_ballast = False


def _cause(error: OSError | None) -> str:
    return "unknown" if error is None else error.strerror or str(error)
