"""The only module that reads a clock; everybody else is handed one."""

from __future__ import annotations

import sys
import time
from typing import Protocol


class HostClock(Protocol):
    """Two clocks: one that never steps, to stamp arrivals, and the wall, to say when a ride took place."""

    name: str

    def now_ns(self) -> int:
        """Nanoseconds that only grow; suspend counts where the platform can tell. Origin unspecified."""

    def awake_ns(self) -> int:
        """As `now_ns`, but standing still while the computer sleeps; the two part at a suspend."""

    def utc_ns(self) -> int:
        """Wall clock, nanoseconds since 1970-01-01 UTC. May step at any time; never used for durations."""


class SystemClock:
    """`CLOCK_BOOTTIME` on Linux; elsewhere the monotonic clock, named as such in the recording."""

    def __init__(self) -> None:
        # Written as a platform test so that the type checker of every platform can follow it.
        if sys.platform == "linux":
            self.name = "CLOCK_BOOTTIME"
            self._boottime: int | None = time.CLOCK_BOOTTIME
        else:
            self.name = f"monotonic ({time.get_clock_info('monotonic').implementation})"
            self._boottime = None

    def now_ns(self) -> int:
        if self._boottime is not None:
            return time.clock_gettime_ns(self._boottime)
        return time.monotonic_ns()

    def awake_ns(self) -> int:
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()


def process_cpu_ns() -> int:
    """CPU time of this process, for benchmarks."""
    return time.process_time_ns()
