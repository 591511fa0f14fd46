"""The drawn screen before a recorder in another process: follows the journal, makes snapshots, passes on asks."""

from __future__ import annotations

import asyncio
from collections import deque
from importlib import import_module
from pathlib import Path

import msgspec

from recorder.control_client import ControlClient
from recorder.control_words import Ask, Tell
from recorder.errors import NotRecording, ScreenFailed
from recorder.live_snapshot import Snapshot
from recorder.live_window import JournalFollower, LiveWindow
from recorder.snapshot_maker import WINDOWS_S, SnapshotMaker

_FIRST_TELL_S = 5.0
_READS_AT_ONCE = 200  # a screen that is opened late catches up in several steps


def live_screen(client: ControlClient, owner: bool) -> int:
    """:raises ScreenFailed: where the screen ends by a fault of its own."""
    view = ScreenView(client, owner)
    try:
        app = import_module("recorder.terminal.app")
        status: int = app.run_screen(view.next_snapshot, view.ask, owner, view.choose)
    except ScreenFailed:
        raise
    except (Exception, asyncio.CancelledError) as fault:
        raise ScreenFailed(f"the screen failed ({type(fault).__name__}: {fault})") from fault
    return status


class ScreenView:
    """What a screen calls from its threads, one call at a time of each kind."""

    def __init__(self, client: ControlClient, owner: bool = False) -> None:
        self._client = client
        self._owner = owner
        self._journals: tuple[str, ...] = ()
        self._window = LiveWindow(JournalFollower(lambda: [Path(journal) for journal in self._journals]))
        self._maker = SnapshotMaker()
        self._window_s = WINDOWS_S[1]
        self._reference: str | None = None
        self._refused: deque[tuple[float, str]] = deque(maxlen=5)

    def next_snapshot(self) -> Snapshot:
        """:raises NotRecording: where the recorder tells nothing, or has gone without a last word."""
        tell = self._client.tell or self._client.wait(_FIRST_TELL_S)
        if tell is None:
            raise NotRecording("the recorder has told nothing yet")
        if self._client.closed and not tell.ended:
            raise NotRecording("the recorder has let this screen go; what it records is safe: leave, and watch again")
        self._journals = tell.journals
        for _ in range(_READS_AT_ONCE):
            self._window.refresh()
            if not self._window.follower.behind:
                break
        gatherer = self._window.gatherer
        now_ns = max(round(tell.recorded_s * 1e9), gatherer.last_ns)
        return self._maker.snapshot(gatherer, self._with_refusals(tell), now_ns, self._window_s, self._reference)

    def ask(self, ask: Ask) -> None:
        """:raises NotRecording: where the recorder cannot be reached."""
        if not self._client.ask(ask):
            raise NotRecording("the recorder cannot be reached")

    def choose(self, *, reference: str | None = None, window_s: int | None = None) -> None:
        """A watcher chooses for itself; what the owner compares against is what steps are decided by as well.

        :raises NotRecording: where the recorder cannot be reached.
        """
        self._reference = reference or self._reference
        self._window_s = window_s or self._window_s
        if reference and self._owner:
            self.ask(Ask("reference", sensor=reference))

    def _with_refusals(self, tell: Tell) -> Tell:
        """What was done is said to every screen; what was refused only to the one that asked."""
        while self._client.answers:
            words = self._client.answers.popleft()
            if words not in [said for _, said in tell.said]:
                self._refused.append((tell.recorded_s, words))
        return msgspec.structs.replace(tell, said=tuple(sorted((*tell.said, *self._refused))))
