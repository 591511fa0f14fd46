"""The heart of a recording: every payload and happening goes to the journal first, then to whoever looks on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from analysis.characteristics.not_understood import NotUnderstood
from analysis.decoding import RowDecoder
from analysis.rows import Event, Row, RowKind
from recorder.arrivals import MEASURING
from recorder.host_clock import HostClock
from recorder.live_readings import Onlooker
from recorder.source import Identity, Origin

GAP_NS = 2_500_000_000
# What may still be told of the recording, at its last moment, while rows from before that come in late.
_OF_THE_END = frozenset(
    {Event.RELAY, Event.RELAY_CLOCK, Event.CLOCK_EXCHANGE, Event.NOTE, Event.STORAGE, Event.FINISHED}
)


class RowLog(Protocol):
    """What the session needs of the journal."""

    def append_payload(
        self, host_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind
    ) -> None: ...

    def append_row(self, row: Row) -> None: ...

    def append_metadata(self, update: Mapping[str, Any]) -> None: ...

    def written(self) -> int: ...

    def safe(self) -> int: ...


@dataclass
class SensorCounts:
    """Totals of one stream. A gap is more than 2.5 s without a measurement."""

    rows: int = 0
    gaps: int = 0
    duplicates_dropped: int = 0
    not_understood: int = 0
    last_ns: int | None = None


@dataclass
class RecordingSession:
    """A `recorder.source.RelayedSink` that writes to `log`. Never raises into a source, never waits."""

    clock: HostClock
    log: RowLog
    streams: Sequence[str]
    onlookers: Sequence[Onlooker] = ()
    start_ns: int = 0
    counts: dict[str, SensorCounts] = field(default_factory=dict)
    onlooker_faults: int = 0
    open: bool = True
    ended_ns: int | None = None  # since the start
    _decoder: RowDecoder = field(default_factory=RowDecoder)

    def __post_init__(self) -> None:
        self.start_ns = self.clock.now_ns()
        self.counts = {name: SensorCounts() for name in self.streams}

    @property
    def now_ns(self) -> int:
        """Nanoseconds since the recording started; stands still at its end."""
        return self.clock.now_ns() - self.start_ns if self.ended_ns is None else self.ended_ns

    def received(
        self,
        clock_ns: int,
        sensor: str,
        characteristic: str,
        payload: bytes,
        row_kind: RowKind = "notification",
    ) -> None:
        if not self.open or self.ended_ns is not None:
            return
        host_ns = clock_ns - self.start_ns
        self.log.append_payload(host_ns, sensor, characteristic, payload, row_kind)
        self._count_and_show(sensor, Row(host_ns, row_kind, sensor, characteristic, payload))

    def relayed(
        self, clock_ns: int, origin: Origin, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind
    ) -> None:
        if not self._is_within(clock_ns):
            return
        host_ns = clock_ns - self.start_ns
        row = Row(
            host_ns,
            row_kind,
            sensor,
            characteristic,
            payload,
            origin_ns=origin.clock_ns,
            origin_seq=origin.seq,
        )
        self.log.append_row(row)
        self._count_and_show(sensor, row)

    def _count_and_show(self, sensor: str, row: Row) -> None:
        counts = self._counts_of(sensor)
        counts.rows += 1
        if row.row_kind in ("notification", "relayed") and row.characteristic in MEASURING:
            if counts.last_ns is not None and row.host_ns - counts.last_ns > GAP_NS:
                counts.gaps += 1
            counts.last_ns = row.host_ns
        self._show(row)

    def _counts_of(self, sensor: str) -> SensorCounts:
        if sensor not in self.counts:
            self.counts[sensor] = SensorCounts()
        return self.counts[sensor]

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        if not self.open or (self.ended_ns is not None and event not in _OF_THE_END):
            return
        self._keep_event(Row(self.now_ns, "event", sensor, event=event, detail=detail))

    def relayed_event(
        self, clock_ns: int, origin: Origin, event: str, sensor: str | None, detail: Mapping[str, Any]
    ) -> None:
        if not self._is_within(clock_ns):
            return
        if event == Event.IDENTIFIED:
            self.log.append_metadata({"sensors": {sensor: dict(detail)}})
        row = Row(
            clock_ns - self.start_ns,
            "event",
            sensor,
            event=event,
            detail=detail,
            origin_ns=origin.clock_ns,
            origin_seq=origin.seq,
        )
        self._keep_event(row)

    def _is_within(self, clock_ns: int) -> bool:
        return self.open and (self.ended_ns is None or clock_ns - self.start_ns <= self.ended_ns)

    def written(self) -> int:
        return self.log.written()

    def safe(self) -> int:
        return self.log.safe()

    def _keep_event(self, row: Row) -> None:
        event, sensor = row.event, row.sensor
        self.log.append_row(row)
        if event == Event.DUPLICATE_DROPPED and sensor is not None:
            self._counts_of(sensor).duplicates_dropped += 1
        self._show(row)

    def identified(self, sensor: str, identity: Identity) -> None:
        said = {key: value for key, value in identity.as_dict().items() if value is not None}
        if self.open:
            self.log.append_metadata({"sensors": {sensor: said}})
        self.happened(Event.IDENTIFIED, sensor, **said)

    def anchor_utc(self) -> None:
        """Tie the recording's clock to the wall clock once more; its end has no further moment to tie."""
        if self.open and self.ended_ns is None:
            self.log.append_metadata({"utc_anchors": {str(self.now_ns): self.clock.utc_ns()}})

    def end(self) -> None:
        """The recording is over now; of what relays send only what is from before is still taken."""
        self.ended_ns = self.now_ns

    def close(self) -> None:
        """No more rows are taken. A sensor that had fallen silent has not come back: that is a gap as well."""
        for counts in self.counts.values():
            if counts.last_ns is not None and self.now_ns - counts.last_ns > GAP_NS:
                counts.gaps += 1
        self.open = False

    def _show(self, row: Row) -> None:
        try:
            fields = self._decoder.fields(row)
        except NotUnderstood as fault:
            fields = {}
            self._counts_of(row.sensor or "").not_understood += 1
            self.happened(Event.NOT_UNDERSTOOD, row.sensor, characteristic=row.characteristic, reason=str(fault))
        for onlooker in self.onlookers:
            try:
                onlooker(row, fields)
            except Exception:  # noqa: BLE001 - a fault of a screen or a relay must not cost the recording a row
                self.onlooker_faults += 1
