"""Copies of one notification, told by their content: the same bytes of one sensor again within 20 ms; pure.

A leaked subscription makes the Bluetooth service deliver everything twice. A sensor at rest repeats its bytes as
well, but not that fast, except when the radio held its packets up and delivers them together: after a pause as many
repeats are let pass as the pause swallowed. What is dropped is written down with its bytes, so nothing is lost.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median_low

WINDOW_NS = 20_000_000
_PAUSE = 2.5  # intervals; a shorter gap may be one lost packet, after which a copy is still a copy


@dataclass
class _Pace:
    last_ns: int
    gaps_ns: deque[int] = field(default_factory=lambda: deque(maxlen=16))
    owed: int = 0  # packets that the last pause may have held up and that have not come yet
    kept: dict[bytes, int] = field(default_factory=dict)


class DuplicateFilter:
    """One per sensor."""

    def __init__(self, window_ns: int = WINDOW_NS) -> None:
        self._window_ns = window_ns
        self._paces: dict[str, _Pace] = {}

    def restart(self) -> None:
        """A new link: the time without one swallowed no packets."""
        self._paces.clear()

    def is_copy(self, characteristic: str, payload: bytes, now_ns: int) -> bool:
        """Whether this payload repeats one that was kept less than the window ago; otherwise it is kept."""
        pace = self._paces.setdefault(characteristic, _Pace(now_ns))
        gap_ns = now_ns - pace.last_ns
        if gap_ns >= self._window_ns:
            self._step(pace, gap_ns)
        elif payload in pace.kept and now_ns - pace.kept[payload] < self._window_ns:
            if pace.owed == 0:
                return True
            pace.owed -= 1
        elif pace.owed > 0:
            pace.owed -= 1
        pace.last_ns = now_ns
        pace.kept[payload] = now_ns
        return False

    def _step(self, pace: _Pace, gap_ns: int) -> None:
        pace.kept.clear()
        pace.owed = 0
        if len(pace.gaps_ns) >= 4:
            interval_ns = median_low(pace.gaps_ns)
            if gap_ns > _PAUSE * interval_ns:
                pace.owed = round(gap_ns / interval_ns)
        pace.gaps_ns.append(gap_ns)
