"""Knows how the screen is run in a process of its own: signals, the exit status, and a screen that broke."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from recorder.control_words import Ask
from recorder.errors import ScreenFailed
from recorder.host_clock import HostClock, SystemClock
from recorder.live_snapshot import Snapshot
from recorder.terminal.live_app import Choose, LiveScreen

_ENDING = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGINT", "SIGHUP") if hasattr(signal, name))


def run_screen(
    next_snapshot: Callable[[], Snapshot],
    ask: Callable[[Ask], bool | None],
    owner: bool,
    choose: Choose,
    clock: HostClock | None = None,
) -> int:
    """Until the ride has ended or somebody leaves: 0; 3 where the screen was left before all was saved.

    `ask` may return False for what could not be sent. Signals to end make the screen leave, with the terminal as it
    was before.

    :raises ScreenFailed: where the screen itself broke.
    """
    app = LiveScreen(next_snapshot, ask, owner, choose, clock=clock or SystemClock())
    with _handlers_kept():
        status = asyncio.run(_run(app))
    if status is None:
        raise ScreenFailed("the live screen has failed")
    return status


async def _run(app: LiveScreen) -> int | None:
    loop = asyncio.get_running_loop()
    for number in _ENDING:
        # The loops of Windows know no signals; there the process just ends.
        with suppress(NotImplementedError):
            loop.add_signal_handler(number, app.leave_early)
    return await app.run_async()


@contextmanager
def _handlers_kept() -> Iterator[None]:
    """Closing the loop resets signals to their defaults; whoever called had handlers of its own."""
    before = {number: signal.getsignal(number) for number in _ENDING}
    try:
        yield
    finally:
        for number, handler in before.items():
            if handler is not None:  # not set from Python
                signal.signal(number, handler)
