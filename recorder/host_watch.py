"""Notices when the computer itself stood still or slept: arrival times inside such a gap mean nothing."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.rows import Event
from recorder.host_clock import HostClock
from recorder.source import RecordSink

BEAT_S = 0.25
LATE_S = 0.25  # a stamp later than this is worth a row
ASLEEP_S = 1.0


@dataclass
class HostWatch:
    """Call `beat` every `BEAT_S`; it compares how far the clocks moved with how far they should have."""

    clock: HostClock
    sink: RecordSink
    _last_ns: int | None = None
    _last_awake_ns: int = 0

    def beat(self) -> None:
        now_ns, awake_ns = self.clock.now_ns(), self.clock.awake_ns()
        if self._last_ns is not None:
            passed_s = (now_ns - self._last_ns) / 1e9
            asleep_s = passed_s - (awake_ns - self._last_awake_ns) / 1e9
            still_s = passed_s - asleep_s - BEAT_S
            if asleep_s > ASLEEP_S:
                self.sink.happened(Event.SUSPENDED, asleep_s=round(asleep_s, 3))
            if still_s > LATE_S:
                self.sink.happened(Event.HOST_STOOD_STILL, still_s=round(still_s, 3))
        self._last_ns, self._last_awake_ns = now_ns, awake_ns
