"""The way of one sensor's payloads from the radio to the sink: copies dropped and told, bursts told, arrival kept."""

from __future__ import annotations

from analysis.rows import Event, RowKind
from recorder.arrivals import MEASURING, Arrivals
from recorder.duplicates import DuplicateFilter
from recorder.link_actions import DataAge
from recorder.source import RecordSink


class StreamIntake:
    """One per sensor; survives its links."""

    def __init__(self, sensor: str, now_ns: int) -> None:
        self._sensor = sensor
        self._duplicates = DuplicateFilter()
        self._arrivals = Arrivals(now_ns)

    def new_link(self, now_ns: int) -> None:
        self._duplicates.new_link(now_ns)
        self._arrivals = Arrivals(now_ns)

    def take(self, sink: RecordSink, characteristic: str, payload: bytes, clock_ns: int, row_kind: RowKind) -> bool:
        """Whether this was a measurement, and no copy of one."""
        if row_kind != "notification":
            sink.received(clock_ns, self._sensor, characteristic, payload, row_kind)
            return False
        if self._duplicates.is_copy(characteristic, payload, clock_ns):
            sink.happened(Event.DUPLICATE_DROPPED, self._sensor, characteristic=characteristic, payload=payload.hex())
            return False
        sink.received(clock_ns, self._sensor, characteristic, payload)
        burst = self._arrivals.note(characteristic, payload, clock_ns)
        if burst is not None:
            sink.happened(Event.BURST, self._sensor, count=burst.count, span_s=round(burst.span_s, 3))
        return characteristic in MEASURING

    def age(self, now_ns: int, rest_after_s: float) -> DataAge:
        return self._arrivals.age(now_ns, rest_after_s)
