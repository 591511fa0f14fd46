"""Copies of one notification, told by their content: the same bytes of one sensor again within 20 ms; pure.

A leaked subscription makes the Bluetooth service deliver everything twice. A sensor at rest repeats its bytes as
well, but not that fast; what is dropped is written down with its bytes, so that nothing is lost either way.
"""

from __future__ import annotations

WINDOW_NS = 20_000_000


class DuplicateFilter:
    """One per sensor; survives its links."""

    def __init__(self, window_ns: int = WINDOW_NS) -> None:
        self._window_ns = window_ns
        self._kept: dict[tuple[str, bytes], int] = {}

    def is_copy(self, characteristic: str, payload: bytes, now_ns: int) -> bool:
        """Whether this payload repeats one that was kept less than the window ago; otherwise it is kept."""
        key = (characteristic, payload)
        before_ns = self._kept.get(key)
        if before_ns is not None and now_ns - before_ns < self._window_ns:
            return True
        self._kept = {k: ns for k, ns in self._kept.items() if now_ns - ns < self._window_ns}
        self._kept[key] = now_ns
        return False
