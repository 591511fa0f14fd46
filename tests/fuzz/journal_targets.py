"""Journals: whatever a disk gives back, read at once, followed while it grows, and finished into a recording."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable

from analysis.errors import WattproofError
from analysis.recording_reader import read_recording
from recorder import journal_frames as frames
from recorder.errors import JournalDamaged
from recorder.journal_replay import replay_segments
from recorder.live_window import JournalFollower, LiveWindow
from recorder.recovery import recover_folder
from recorder.storage import SystemStorage
from tests.fuzz.feed import Feed, as_pieces, emptied
from tests.fuzz.targets import Target
from tests.riding import Journal

SEED = 5
_CUT = b"--another file--"


def journal(data: bytes) -> None:
    """Bytes of one file, or of several with a mark in between."""
    try:
        found = replay_segments(data.split(_CUT)[:4])
    except JournalDamaged:
        return
    if found.torn_tail_bytes > len(data):
        raise AssertionError("more torn than there was")


def sound_frames(data: bytes) -> None:
    """Pieces of type and body become frames with a right checksum, so that what they say is looked at."""
    contents = framed(data)
    try:
        replay_segments([contents])
    except JournalDamaged:
        return
    _followed([contents])


def follower(data: bytes) -> None:
    """A journal that grows by these pieces."""
    _followed(Feed(data).pieces(50))


def recovery(data: bytes) -> None:
    """Frames as above, finished into a recording that can be read and be read again."""
    folder = emptied("recovery")
    path = folder / "ride.journal"
    path.write_bytes(framed(data))
    for recovered in recover_folder(folder, SystemStorage()).recovered:
        with contextlib.suppress(WattproofError):  # of a bench that is none: sound frames may say anything
            read_recording(recovered.recording)
    if path.exists() and any(folder.glob("*.parquet")):
        raise AssertionError("a recording was made, and its journal left")


def framed(data: bytes) -> bytes:
    """A header that can be read, then what the pieces say."""
    begun = Journal(0).preamble
    found = [begun]
    for sequence, piece in enumerate(Feed(data).pieces(), 1):
        feed = Feed(piece)
        frame_type = 1 + feed.number() % frames.END
        found.append(frames.frame_bytes(frame_type, sequence, feed.rest(), SEED))
    return b"".join(found)


def _followed(pieces: Iterable[bytes]) -> None:
    path = emptied("follower") / "ride.journal"
    window = LiveWindow(JournalFollower(lambda: [path]))
    with path.open("wb", buffering=0) as file:
        for piece in pieces:
            file.write(piece)
            try:
                while window.refresh() or window.follower.behind:
                    pass
            except JournalDamaged:
                return
    window.gatherer.samples()


def _whole() -> bytes:
    journal = Journal(4)
    journal.event(1.0, "mark", text="go")
    return journal.end().all_bytes()


def _frames() -> bytes:
    """As `framed` takes them apart."""
    found = list(frames.sound_frames(_whole(), SEED))
    return as_pieces(*(bytes([frame.frame_type - 1]) + frame.body for frame in found))


def _parts() -> bytes:
    whole = _whole()
    return as_pieces(whole[:40], whole[40:500], whole[500:520], whole[520:])


TARGETS = (
    Target("journal", journal, lambda: [_whole(), _whole()[:700] + _CUT + _whole()], 0.5),
    Target("journal-frames", sound_frames, lambda: [_frames()], 2.0),
    Target("journal-follower", follower, lambda: [_parts()], 1.5),
    Target("recovery", recovery, lambda: [_frames()], 60.0),
)
