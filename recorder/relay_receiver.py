"""From batches that come late, twice, in any order or not at all to rows in order, each once; no clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from recorder.relay_messages import MOST_MISSING, Batch, Detail, Happened, Hello, Kind

MOST_AHEAD = 50_000
MOST_BOOTS = 64


@dataclass(frozen=True, slots=True)
class RelayedPayload:
    seq: int
    clock_ns: int  # the relay's
    sensor: str
    characteristic: str
    kind: Kind
    payload: bytes


@dataclass(frozen=True, slots=True)
class RelayedEvent:
    seq: int
    clock_ns: int  # the relay's
    event: str
    sensor: str | None
    detail: dict[str, Detail]


@dataclass(frozen=True, slots=True)
class RowsLost:
    """The relay could not keep these any longer: they will not come."""

    first: int
    last: int


Delivered = RelayedPayload | RelayedEvent | RowsLost


@dataclass
class RelayReceiver:
    """One relay in one recording. `seen` is the last row that was delivered; all before it were, or are lost."""

    boot: str | None = None
    seen: int = -1
    duplicates: int = 0
    foreign: int = 0
    overflown: int = 0
    _ahead: dict[int, RelayedPayload | RelayedEvent] = field(default_factory=dict)
    _earlier: list[str] = field(default_factory=list)

    def greeted(self, hello: Hello) -> bool:
        """Whether the relay was started anew since; from then on nothing of its earlier start is taken."""
        if hello.boot == self.boot:
            return False
        if hello.boot in self._earlier:
            self.foreign += 1
            return False
        if self.boot is not None:
            self._earlier = [*self._earlier, self.boot][-MOST_BOOTS:]
        self.boot = hello.boot
        self.seen = hello.kept_from - 1
        self._ahead.clear()
        return True

    def take(self, batch: Batch) -> list[Delivered]:
        """What can be delivered now. Of a boot that has not said hello nothing is taken: it will be sent again."""
        if batch.boot != self.boot or any(isinstance(r, tuple) and r[0] >= len(batch.streams) for r in batch.rows):
            self.foreign += 1
            return []
        for row in _rows(batch):
            if row.seq <= self.seen or row.seq in self._ahead:
                self.duplicates += 1
            elif len(self._ahead) >= MOST_AHEAD and row.seq != self.seen + 1:
                self.overflown += 1
            else:
                self._ahead[row.seq] = row
        return list(self._deliver(batch.kept_from))

    def _deliver(self, kept_from: int) -> Iterator[Delivered]:
        while True:
            while (row := self._ahead.pop(self.seen + 1, None)) is not None:
                self.seen += 1
                yield row
            until = min([kept_from, *self._ahead]) - 1
            if until <= self.seen:
                return
            yield RowsLost(self.seen + 1, until)
            self.seen = until

    @property
    def waiting(self) -> int:
        """Rows that came, but before others that belong in front of them."""
        return len(self._ahead)

    def missing(self) -> list[tuple[int, int]]:
        """The first holes behind `seen`, where something further on is here already."""
        holes: list[tuple[int, int]] = []
        expected = self.seen + 1
        for seq in sorted(self._ahead):
            if seq > expected:
                holes.append((expected, seq - 1))
                if len(holes) == MOST_MISSING:
                    break
            expected = seq + 1
        return holes


def _rows(batch: Batch) -> Iterator[RelayedPayload | RelayedEvent]:
    for seq, row in enumerate(batch.rows, batch.first):
        if isinstance(row, Happened):
            yield RelayedEvent(seq, batch.clock_ns + row.after_ns, row.event, row.sensor, row.detail)
        else:
            stream, after_ns, payload = row
            sensor, characteristic, kind = batch.streams[stream]
            yield RelayedPayload(seq, batch.clock_ns + after_ns, sensor, characteristic, kind, payload)
