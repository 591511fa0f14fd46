"""Waiting for foreign code that may hang even while being cancelled, and never longer than promised."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

# Referenced here so that they are not collected while they unwind.
_unwinding: set[asyncio.Task[Any]] = set()


async def bounded(work: Coroutine[Any, Any, T], seconds: float) -> T:
    """The result of `work`. After `seconds`, or when cancelled, it is cancelled and left to unwind by itself.

    `asyncio.timeout` waits for the cancelled code to finish; a Bluetooth service that hangs makes that for ever.

    :raises TimeoutError: after `seconds`.
    """
    task = asyncio.ensure_future(work)
    try:
        done, _ = await asyncio.wait({task}, timeout=seconds)
    except asyncio.CancelledError:
        _leave(task)
        raise
    if not done:
        _leave(task)
        raise TimeoutError
    return task.result()


def _leave(task: asyncio.Task[Any]) -> None:
    task.cancel()
    _unwinding.add(task)
    task.add_done_callback(_forget)


def _forget(task: asyncio.Task[Any]) -> None:
    _unwinding.discard(task)
    if not task.cancelled():
        task.exception()  # looked at, so that asyncio does not complain about it
