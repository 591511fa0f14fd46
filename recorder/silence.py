"""What to make of a link over which nothing comes: say so, ask whether the sensor lives, or give up; pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from recorder.link_actions import DataAge, Timings


class Verdict(Enum):
    GO_ON = auto()
    PROBE = auto()  # it may be quiet lawfully: ask
    GIVE_UP = auto()


@dataclass
class SilenceWatch:
    """One per link."""

    timings: Timings
    had_data: bool = False
    probing: bool = False
    _told: bool = False
    _next_probe_s: float = float("-inf")

    def tell(self, age: DataAge) -> bool:
        """Whether this is the moment to say that the sensor has fallen silent."""
        silent = age.silent_s > max(self.timings.silent_s, 3 * (age.interval_s or 0.0))
        tell, self._told = silent and not self._told, silent
        return tell

    def judge(self, age: DataAge, now_s: float) -> Verdict:
        renew_s = max(self.timings.renew_s, 10 * (age.interval_s or 0.0))
        if age.silent_s <= renew_s or self.probing:
            return Verdict.GO_ON
        # Some sensors say nothing while nobody pedals; one that has not said anything yet may be one of them.
        may_be_quiet = age.resting or not self.had_data
        if not may_be_quiet or age.silent_s > self.timings.longest_quiet_s:
            return Verdict.GIVE_UP
        if now_s < self._next_probe_s:
            return Verdict.GO_ON
        self.probing = True
        self._next_probe_s = now_s + renew_s
        return Verdict.PROBE
