"""Tells a service manager that the recording has begun, that it is alive, and how it goes; knows its datagrams only.

The protocol is that of sd_notify(3): lines of KEY=VALUE to the socket named in NOTIFY_SOCKET.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass

from analysis.safe_text import safe_text
from recorder.companions import Riding

STATUS_EVERY_S = 10.0


@dataclass(frozen=True)
class ServiceNotify:
    """A companion. `watchdog_s`: how often at least the manager wants a sign of life, None where it does not."""

    address: str
    watchdog_s: float | None

    @classmethod
    def from_environment(cls, environment: Mapping[str, str], pid: int | None = None) -> ServiceNotify | None:
        """None where no manager listens."""
        address = environment.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
            return None
        microseconds = environment.get("WATCHDOG_USEC", "")
        ours = environment.get("WATCHDOG_PID", "") in ("", str(os.getpid() if pid is None else pid))
        watched = ours and microseconds.isdecimal() and int(microseconds) > 0
        # An abstract name is written with @ and sent with a zero byte.
        return cls(address.replace("@", "\0", 1), int(microseconds) / 1e6 if watched else None)

    def tell(self, *lines: str) -> None:
        """Never waits and never fails: a manager that does not listen is its own affair."""
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sending:
            sending.setblocking(False)
            sending.sendto("\n".join(lines).encode(), self.address)

    @asynccontextmanager
    async def beside(self, riding: Riding) -> AsyncIterator[None]:
        self.tell("READY=1", "STATUS=recording")
        telling = asyncio.create_task(self._keep_telling(riding))
        try:
            yield
        finally:
            telling.cancel()
            with suppress(asyncio.CancelledError):
                await telling
            self.tell("STOPPING=1", "STATUS=the recording has ended")

    async def _keep_telling(self, riding: Riding) -> None:
        """As long as the event loop turns, even while the file is being made."""
        every_s = STATUS_EVERY_S if self.watchdog_s is None else min(STATUS_EVERY_S, self.watchdog_s / 3)
        while True:
            lines = [] if self.watchdog_s is None else ["WATCHDOG=1"]
            if riding.run.stopping:
                lines += ["STOPPING=1", "STATUS=finishing the recording"]
            else:
                lines.append(f"STATUS={_in_words(riding)}")
            self.tell(*lines)
            await asyncio.sleep(every_s)


def _in_words(riding: Riding) -> str:
    counts = riding.session.counts
    heard = sum(1 for count in counts.values() if count.rows)
    rows = sum(count.rows for count in counts.values())
    return safe_text(
        f"recording for {riding.session.now_ns // 10**9} s, {heard} of {len(counts)} sensors, {rows} rows", 200
    )
