"""What a screen is given of a running recording: the next snapshot when it asks, and the choice of what it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from recorder.control_words import Ask, Tell
from recorder.errors import NotRecording
from recorder.host_clock import HostClock
from recorder.live_snapshot import Snapshot
from recorder.live_window import JournalFollower, LiveWindow
from recorder.snapshot_maker import WINDOWS_S, SnapshotMaker

READS_AT_ONCE = 32  # 2 MiB: a screen that comes late catches up with three hours within some seconds
FIRST_WORD_S = 5.0
GONE = "The recorder has gone, or has let this screen go. What was recorded is safe: `wattproof recover` finishes it."


class Recorder(Protocol):
    """What is needed of `recorder.control_client.ControlClient`."""

    @property
    def tell(self) -> Tell | None: ...

    @property
    def closed(self) -> bool: ...

    def wait(self, seconds: float) -> Tell | None: ...

    def ask(self, ask: Ask) -> bool: ...


@dataclass
class LiveView:
    """One per screen; `next_snapshot` is called by one thread at a time."""

    recorder: Recorder
    clock: HostClock
    _window_s: int = WINDOWS_S[1]
    _heard: tuple[Tell, int] | None = None
    _maker: SnapshotMaker = field(default_factory=SnapshotMaker)
    _window: LiveWindow = field(init=False)

    def __post_init__(self) -> None:
        self._window = LiveWindow(JournalFollower(self._paths))

    def next_snapshot(self) -> Snapshot:
        """:raises NotRecording: where the recorder has not said a word."""
        told = self.recorder.tell or self.recorder.wait(FIRST_WORD_S)
        if told is None:
            raise NotRecording("the recorder says nothing")
        for _ in range(READS_AT_ONCE):
            self._window.refresh()
            if not self._window.follower.behind:
                break
        shown = self._maker.snapshot(self._window.gatherer, told, self._now_ns(told), self._window_s)
        if self.recorder.closed and not shown.ended:
            return replace(shown, ended=True, ended_words=GONE)
        return shown

    def choose(self, *, reference: str | None = None, window_s: int | None = None) -> None:
        """The reference is chosen for all screens, since steps end by its verdict; the window for this one."""
        if window_s is not None:
            self._window_s = window_s
        if reference is not None:
            self.recorder.ask(Ask("reference", sensor=reference))

    def _paths(self) -> Sequence[Path]:
        told = self.recorder.tell
        return [] if told is None else [Path(path) for path in told.journals]

    def _now_ns(self, told: Tell) -> int:
        """The instant that is shown: of what was read so far while catching up, else of the recorder's clock."""
        last_ns = self._window.gatherer.last_ns
        if self._window.follower.behind:
            return last_ns
        now_ns = self.clock.now_ns()
        if self._heard is None or self._heard[0] is not told:
            self._heard = (told, now_ns)
        since_ns = 0 if told.ended or told.finishing else now_ns - self._heard[1]
        return max(round(told.recorded_s * 1e9) + since_ns, last_ns)
