"""Copies of one notification, told by their content: the same bytes of one sensor again within 20 ms; pure.

A leaked subscription makes the Bluetooth service deliver everything twice. A sensor at rest repeats its bytes as
well, but not that fast, except when the radio held its packets up and delivers them together: after a pause as many
repeats are let pass as the pause swallowed. What is dropped is written down with its bytes, so nothing is lost.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

WINDOW_NS = 20_000_000
_PAUSE = 2.5  # intervals; a shorter gap may be one lost packet, after which a copy is still a copy
_USUAL_NS = 250_000_000  # of power meters, until this one has shown its own


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
        self._link_ns: int | None = None

    def new_link(self, now_ns: int) -> None:
        """The time without a link swallowed no packets."""
        self._paces.clear()
        self._link_ns = now_ns

    def is_copy(self, characteristic: str, payload: bytes, now_ns: int) -> bool:
        """Whether this payload repeats one that was kept less than the window ago; otherwise it is kept."""
        since_ns = now_ns if self._link_ns is None else self._link_ns
        pace = self._paces.setdefault(characteristic, _Pace(since_ns))
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
        # The lower quartile: while other links are made, most gaps are pauses and only some show the true pace.
        gaps_ns = sorted(pace.gaps_ns)
        interval_ns = gaps_ns[len(gaps_ns) // 4] if len(gaps_ns) >= 2 else _USUAL_NS
        pace.owed = round(gap_ns / interval_ns) if gap_ns > _PAUSE * interval_ns else 0
        pace.gaps_ns.append(gap_ns)
