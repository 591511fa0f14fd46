"""Knows what the screen remembers: the newest snapshot, its own troubles and answers, and when to ring."""

from __future__ import annotations

import math

from recorder.live_snapshot import Snapshot
from recorder.terminal.scene import Scene

NO_NEWS_AFTER_S = 4.0
_NOTICE_S = 5.0

NOTHING_YET = Snapshot(
    bench="waiting for the recorder",
    recorded_s=math.nan,
    reference=None,
    window_s=60,
    trend_step_s=1.0,
    meters=(),
    plan=None,
    segments=(),
    messages=(),
    disk="well",
    disk_words="",
    clock="well",
    clock_words="",
    recording="",
)


class ScreenState:
    """Times are those of the event loop, in seconds."""

    def __init__(self, owner: bool, started_s: float) -> None:
        self.snapshot = NOTHING_YET
        self._owner = owner
        self._seen = 0
        self._news_s = started_s
        self._notices: list[tuple[float, str]] = []
        self._unread: tuple[int, str] = (0, "")
        self._announced: int | None = None

    def took(self, snapshot: Snapshot, now_s: float) -> bool:
        """Remembers; True if a step has newly been announced."""
        # First what may raise: a snapshot with faults must not take the place of a good one.
        before, self._announced = self._announced, _announced_step(snapshot)
        self.snapshot = snapshot
        self._seen += 1
        self._news_s = now_s
        self._unread = (0, "")
        return self._announced is not None and self._announced != before

    def missed(self, fault: Exception) -> None:
        self._unread = (self._unread[0] + 1, f"{type(fault).__name__}: {fault}")

    def notice(self, words: str, now_s: float) -> None:
        self._notices = [*self._notices[-3:], (now_s, words)]

    def scene(self, now_s: float) -> Scene:
        notices = tuple(words for at_s, words in self._notices if now_s - at_s < _NOTICE_S)
        return Scene(self.snapshot, self._owner, self._seen, notices, self._troubles(now_s))

    def _troubles(self, now_s: float) -> tuple[str, ...]:
        times, words = self._unread
        if times:
            return (f"the ride cannot be read ({times} times): {words}",)
        silence_s = now_s - self._news_s
        if silence_s > NO_NEWS_AFTER_S and not self.snapshot.ended:
            return (f"no news from the recorder for {silence_s:.0f} s: what you see is the last known state",)
        return ()


def _announced_step(snapshot: Snapshot) -> int | None:
    """Number of the step that is announced; its words may count down without being news."""
    plan = snapshot.plan
    if plan is None or not plan.announce:
        return None
    return next((number for number, step in enumerate(plan.steps) if step.state == "next"), -1)
