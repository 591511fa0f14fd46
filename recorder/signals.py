"""Which signals end a recording properly, on each platform."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

# SIGHUP: the terminal was closed. SIGPWR: on Linux, the power is failing. Windows has none of these; there Ctrl-Break
# takes the place of SIGTERM.
_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGPWR", "SIGBREAK")


@contextmanager
def ending_signals(on_signal: Callable[[str], None]) -> Iterator[None]:
    """Call `on_signal` with the signal's name, in the running loop, instead of dying without `finally`."""
    loop = asyncio.get_running_loop()
    undo: list[Callable[[], object]] = []
    for name in _NAMES:
        number = getattr(signal, name, None)
        if number is not None:
            undo.append(_install(loop, number, name, on_signal))
    try:
        yield
    finally:
        for restore in undo:
            restore()


def _install(
    loop: asyncio.AbstractEventLoop, number: signal.Signals, name: str, on_signal: Callable[[str], None]
) -> Callable[[], object]:
    try:
        loop.add_signal_handler(number, on_signal, name)
    except (NotImplementedError, RuntimeError, ValueError):
        pass  # Windows' loops have no such call; a loop outside the main thread may not take signals at all
    else:
        return lambda: loop.remove_signal_handler(number)
    try:
        before = signal.signal(number, lambda *_: loop.call_soon_threadsafe(on_signal, name))
    except ValueError:
        return lambda: None
    return lambda: signal.signal(number, before)
