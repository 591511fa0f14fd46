"""A control point: one request at a time, answered by an indication that may come early, late or never."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

RESPONSE = 0x20


class NoAnswer(Exception):
    """The request was accepted, and no indication came in time."""


class ControlPoint:
    """`write` sends a request; whoever receives indications passes them to `indicated`."""

    def __init__(
        self, write: Callable[[bytes], Awaitable[None]], late: Callable[[bytes], None], response: int = RESPONSE
    ) -> None:
        self._write = write
        self._late = late
        self._response = response
        self._lock = asyncio.Lock()
        self._pending: tuple[int, asyncio.Future[bytes]] | None = None

    async def ask(self, request: bytes, timeout_s: float) -> bytes:
        """The answer, whole.

        :raises NoAnswer: after `timeout_s`; an answer that comes later goes to `late`.
        """
        async with self._lock:
            # The indication can arrive before the write returns, so the future must be there before.
            answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
            self._pending = (request[0], answer)
            try:
                await self._write(request)
                async with asyncio.timeout(timeout_s):
                    return await answer
            except TimeoutError:
                raise NoAnswer from None
            finally:
                self._pending = None
                if answer.done() and not answer.cancelled():
                    answer.exception()  # looked at: the write may have failed by the same loss of the link

    def indicated(self, payload: bytes) -> None:
        if self._pending is not None:
            op_code, answer = self._pending
            if payload[:2] == bytes([self._response, op_code]) and not answer.done():
                answer.set_result(payload)
                return
        self._late(payload)

    def dropped(self, error: Exception) -> None:
        """The link is gone: whoever waits is told so at once."""
        if self._pending is not None and not self._pending[1].done():
            self._pending[1].set_exception(error)
