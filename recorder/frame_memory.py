"""Frames that could not be written yet: bounded in age and bytes, and what falls out is counted."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

KEEP_NS = 600 * 10**9
KEEP_BYTES = 64 << 20


class FrameMemory:
    """First in, first out."""

    def __init__(self, keep_ns: int = KEEP_NS, keep_bytes: int = KEEP_BYTES) -> None:
        self.fallen_out = 0
        self._keep_ns = keep_ns
        self._keep_bytes = keep_bytes
        self._frames: deque[tuple[int, bytes]] = deque()
        self._bytes = 0

    def __len__(self) -> int:
        return len(self._frames)

    def push(self, now_ns: int, frame: bytes) -> None:
        self._frames.append((now_ns, frame))
        self._bytes += len(frame)
        while self._bytes > self._keep_bytes or now_ns - self._frames[0][0] > self._keep_ns:
            self.drop(1)
            self.fallen_out += 1

    def push_front(self, now_ns: int, frames: Iterable[bytes]) -> None:
        """Put back what had been written but is not safe; its age counts from now."""
        frames = list(frames)
        self._frames.extendleft((now_ns, frame) for frame in reversed(frames))
        self._bytes += sum(map(len, frames))

    def head(self, limit_bytes: int) -> list[bytes]:
        """The oldest frames up to that size, but at least one."""
        chosen: list[bytes] = []
        for _, frame in self._frames:
            limit_bytes -= len(frame)
            if chosen and limit_bytes < 0:
                break
            chosen.append(frame)
        return chosen

    def drop(self, count: int) -> None:
        for _ in range(count):
            self._bytes -= len(self._frames.popleft()[1])

    def move_last_to_front(self) -> None:
        self._frames.rotate(1)

    def minutes_left(self, now_ns: int) -> int:
        """Until frames fall out, by age or by the bytes that came per second so far; rounded up."""
        if not self._frames:
            return math.ceil(self._keep_ns / 60e9)
        age_ns = max(now_ns - self._frames[0][0], 0)
        left_ns = float(self._keep_ns - age_ns)
        if age_ns > 10e9:  # a burst would give a false rate
            left_ns = min(left_ns, age_ns * (self._keep_bytes / self._bytes - 1))
        return max(math.ceil(left_ns / 60e9), 1)
