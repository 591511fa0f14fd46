"""What a relay keeps until it is safe at the recorder, and which of it to send next; no clock, no network.

Everything not yet safe is kept, up to ten minutes and so many bytes; then the oldest goes, and the recorder is told
by `kept_from`. How much is under way grows while rows arrive and shrinks when none do, so that neither a slow link
nor a broker that takes only short messages stops the flow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import msgspec

from recorder.relay_messages import MOST_PAYLOAD, MOST_ROWS, Ack, Batch, Happened, Stream, detail_of, to_bytes

KEEP_NS = 600 * 10**9
KEEP_BYTES = 64 << 20
ROW_OVERHEAD = 160  # bytes that a kept row takes in memory beside its payload
LARGEST_BATCH = 48 * 1024
SMALLEST_BATCH = 1024
FIRST_BATCH = 16 * 1024
MOST_BATCHES = 8
RESEND_NS = 2 * 10**9
LONGEST_RESEND_NS = 8 * 10**9
AGAIN_NS = 10**9

# When by the relay's clock, and either a stream with its payload, or what happened with the length of its JSON.
_Kept = tuple[int, Stream, bytes] | tuple[int, Happened, int]


@dataclass(frozen=True)
class Outgoing:
    """One message to publish: rows `first` to `last`."""

    first: int
    last: int
    data: bytes


@dataclass
class RelaySender:
    """All times are nanoseconds of the relay's clock."""

    boot: str
    keep_ns: int = KEEP_NS
    keep_bytes: int = KEEP_BYTES
    next_seq: int = 1
    kept_from: int = 1
    seen: int = 0
    lost: int = 0
    recorder: str | None = None
    batch_bytes: int = FIRST_BATCH
    window: int = 2
    _rows: dict[int, _Kept] = field(default_factory=dict)
    _bytes: int = 0
    _next: int = 1  # the first row that was not sent, or is to be sent again with all behind it
    _again: list[tuple[int, int]] = field(default_factory=list)
    _again_ns: int = 0
    _under_way: list[tuple[int, int]] = field(default_factory=list)
    _progress_ns: int = 0
    _resend_ns: int = RESEND_NS
    _finished: str | None = None
    _retired: set[str] = field(default_factory=set)
    _stream_sizes: dict[Stream, int] = field(default_factory=dict)

    # -- what is to be sent ------------------------------------------------------------------------------------

    def payload(self, clock_ns: int, stream: Stream, payload: bytes) -> None:
        """Longer than any characteristic of the standard: the end is cut off, which its decoder will see."""
        data = payload[:MOST_PAYLOAD]
        self._keep((clock_ns, stream, data), len(data))

    def happened(self, clock_ns: int, event: str, sensor: str | None, detail: dict[str, Any]) -> None:
        found = Happened(event=event, after_ns=0, sensor=sensor, detail=detail_of(detail))
        size = len(msgspec.json.encode(found)) + 20
        self._keep((clock_ns, found, size), size)

    def _keep(self, row: _Kept, size: int) -> None:
        self._rows[self.next_seq] = row
        self.next_seq += 1
        self._bytes += size + ROW_OVERHEAD
        while self._bytes > self.keep_bytes or row[0] - self._rows[self.kept_from][0] > self.keep_ns:
            self.lost += self.kept_from > self.seen
            self._let_go_oldest()

    def _let_go_oldest(self) -> None:
        row = self._rows.pop(self.kept_from)
        self._bytes -= (row[2] if isinstance(row[2], int) else len(row[2])) + ROW_OVERHEAD
        self.kept_from += 1

    # -- what the recorder says --------------------------------------------------------------------------------

    def answered_by(self, recorder: str, now_ns: int) -> bool:
        """Whether this recorder is a new one: then it is sent all that is kept. An earlier one is not listened to."""
        if recorder == self.recorder or recorder in self._retired:
            return False
        for earlier in {self.recorder, self._finished} - {None, recorder}:
            self._retired.add(str(earlier))
        self.recorder, self._finished = recorder, None
        self.seen = self.kept_from - 1
        self._start_over(now_ns)
        return True

    def finished_by(self, recorder: str, boot: str | None, safe: int, now_ns: int) -> bool:
        """Whether that was ours, whose recording has ended: nothing is sent until a recorder answers.

        If it is heard again, whoever said so was not it: then it goes on, from all that is kept.
        """
        if recorder != self.recorder:
            return False
        if boot == self.boot and safe < self.next_seq:
            while self.kept_from <= safe:
                self._let_go_oldest()
        self.recorder, self._finished = None, recorder
        self._start_over(now_ns)
        return True

    def acknowledged(self, ack: Ack, now_ns: int) -> bool:
        """Whether more has arrived than was known; what makes no sense or is not for us changes nothing."""
        if ack.boot != self.boot or ack.recorder != self.recorder or not ack.safe <= ack.seen < self.next_seq:
            return False
        while self.kept_from <= ack.safe:
            self._let_go_oldest()
        progress = ack.seen > self.seen
        if progress:
            self.seen = ack.seen
            self._next = max(self._next, self.seen + 1)
            self._arrived(now_ns)
        if ack.missing and now_ns - self._again_ns > AGAIN_NS:
            self._again = [r for first, last in ack.missing if (r := self._still_kept(first, last)) is not None]
            self._again_ns = now_ns
        return progress

    def _arrived(self, now_ns: int) -> None:
        self._progress_ns, self._resend_ns = now_ns, RESEND_NS
        through = [part for part in self._under_way if part[1] <= self.seen]
        self._under_way = self._under_way[len(through) :]
        self.window = min(MOST_BATCHES, self.window + len(through))
        if through:
            self.batch_bytes = min(LARGEST_BATCH, self.batch_bytes + self.batch_bytes // 4)

    def _still_kept(self, first: int, last: int) -> tuple[int, int] | None:
        first, last = max(first, self.kept_from, self.seen + 1), min(last, self._next - 1)
        return (first, last) if first <= last else None

    # -- what to send now --------------------------------------------------------------------------------------

    def reconnected(self, now_ns: int) -> None:
        """What was under way may be lost; it may also be what the broker hung up on for its length."""
        if self._under_way:
            self._slow_down(now_ns)
        self._start_over(now_ns)

    def _start_over(self, now_ns: int) -> None:
        self._next = max(self.seen + 1, self.kept_from)
        self._under_way = []
        self._again = []
        self._progress_ns = now_ns

    def batches(self, now_ns: int) -> list[Outgoing]:
        """To be published in this order. Nothing, while no recorder has answered: it would only be thrown away."""
        if self.recorder is None:
            return []
        if self._under_way and now_ns - self._progress_ns > self._resend_ns:
            self._slow_down(now_ns)
        if not self._under_way:
            self._progress_ns = now_ns
        found: list[Outgoing] = [part for first, last in self._again for part in self._packed(first, last)]
        self._again = []
        self._next = max(self._next, self.kept_from)
        while self._next < self.next_seq and len(self._under_way) < self.window:
            part = self._pack(self._next, self.next_seq - 1)
            self._under_way.append((part.first, part.last))
            self._next = part.last + 1
            found.append(part)
        return found

    def _slow_down(self, now_ns: int) -> None:
        """Nothing arrived for long: less at once, again from the first that has not arrived."""
        self.batch_bytes = max(SMALLEST_BATCH, self.batch_bytes // 2)
        self.window = 1
        self._resend_ns = min(LONGEST_RESEND_NS, 2 * self._resend_ns)
        self._start_over(now_ns)

    def _packed(self, first: int, last: int) -> list[Outgoing]:
        found: list[Outgoing] = []
        first = max(first, self.kept_from)
        while first <= last and len(found) < self.window:
            found.append(self._pack(first, last))
            first = found[-1].last + 1
        return found

    def _pack(self, first: int, last: int) -> Outgoing:
        """As many of these rows as go into one message, at least one."""
        clock_ns = self._rows[first][0]
        streams: dict[Stream, int] = {}
        rows: list[tuple[int, int, bytes] | Happened] = []
        room = self.batch_bytes - 160
        for seq in range(first, min(last, first + MOST_ROWS - 1) + 1):
            at_ns, what, content = self._rows[seq]
            room -= self._length(what, content, streams, at_ns - clock_ns)
            if rows and room < 0:
                break
            if isinstance(what, Happened):
                rows.append(msgspec.structs.replace(what, after_ns=at_ns - clock_ns))
            elif isinstance(content, bytes):
                rows.append((streams.setdefault(what, len(streams)), at_ns - clock_ns, content))
        batch = Batch(
            boot=self.boot,
            first=first,
            kept_from=self.kept_from,
            clock_ns=clock_ns,
            streams=list(streams),
            rows=rows,
        )
        return Outgoing(first, first + len(rows) - 1, to_bytes(batch))

    def _length(
        self, what: Stream | Happened, content: bytes | int, streams: dict[Stream, int], after_ns: int
    ) -> int:
        """Of the row in JSON, and of its stream where the batch has not named it yet."""
        if isinstance(content, int) or isinstance(what, Happened):
            return int(content) if isinstance(content, int) else 0
        row = 4 * ((len(content) + 2) // 3) + len(str(after_ns)) + 11  # [1234,AFTER,"..."],
        if what in streams:
            return row
        if what not in self._stream_sizes:
            self._stream_sizes[what] = len(msgspec.json.encode(what)) + 1
        return row + self._stream_sizes[what]

    # -- how it stands -----------------------------------------------------------------------------------------

    @property
    def kept(self) -> int:
        """Rows that are not known to be safe."""
        return self.next_seq - self.kept_from

    @property
    def backlog(self) -> bool:
        """Whether there are rows that were not sent, for want of room under way."""
        return self.recorder is not None and self._next < self.next_seq and len(self._under_way) >= self.window

    def behind_s(self, now_ns: int) -> float:
        """Age of the oldest row that has not arrived; 0 where all has."""
        waiting = self._rows.get(max(self.seen + 1, self.kept_from))
        return 0.0 if waiting is None else (now_ns - waiting[0]) / 1e9
