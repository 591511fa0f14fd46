"""Knows how to fetch snapshots and pass on asks in threads of their own, so that a slow recorder stops no key."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from recorder.live_snapshot import Snapshot

Errand = Callable[[], bool | None]


class Follower(threading.Thread):
    """Fetches a snapshot, tells it (or the fault), waits, and so on. A daemon: a call that hangs holds up no exit."""

    def __init__(
        self, next_snapshot: Callable[[], Snapshot], tell: Callable[[Snapshot | Exception], None], period_s: float
    ) -> None:
        super().__init__(name="screen-follower", daemon=True)
        self._next_snapshot = next_snapshot
        self._tell = tell
        self._period_s = period_s
        self._stopped = threading.Event()

    def run(self) -> None:
        while not self._stopped.is_set():
            self._tell(self._fetch())
            self._stopped.wait(self._period_s)

    def stop(self) -> None:
        self._stopped.set()

    def _fetch(self) -> Snapshot | Exception:
        try:
            return self._next_snapshot()
        except Exception as fault:  # noqa: BLE001 - shown in words by the screen; the next call may do better
            return fault


class Errands(threading.Thread):
    """Runs what it is given, one after the other; tells by the errand's name what raised or returned False."""

    def __init__(self, failed: Callable[[str, str], None]) -> None:
        super().__init__(name="screen-errands", daemon=True)
        self._failed = failed
        self._queue: queue.SimpleQueue[tuple[str, Errand] | None] = queue.SimpleQueue()

    def put(self, name: str, errand: Errand) -> None:
        self._queue.put((name, errand))

    def stop(self) -> None:
        self._queue.put(None)

    def run(self) -> None:
        while (given := self._queue.get()) is not None:
            name, errand = given
            try:
                if errand() is False:
                    self._failed(name, "the recorder could not be reached")
            except Exception as fault:  # noqa: BLE001 - told to the person who pressed the key
                self._failed(name, f"{type(fault).__name__}: {fault}")
