"""What one relay's messages become in a recording: rows in order on the recorder's clock, and acknowledgements.

Knows no broker: messages in, messages out, and a sink. A row is called safe only once the journal has synced it, so
that a recorder that is killed, or whose power fails, has lost nothing that the relay has let go.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

from analysis.rows import Event, RowKind
from recorder.arrivals import MEASURING
from recorder.relay_clock import RelayClock, exchange_of
from recorder.relay_ending import RelayEnding
from recorder.relay_events import OF_RELAYS, OF_SENSORS, at_the_relay
from recorder.relay_messages import Ack, Answer, Ask, Batch, Farewell, Goodbye, Hello
from recorder.relay_presence import RelayPresence
from recorder.relay_receiver import Delivered, RelayedEvent, RelayedPayload, RelayReceiver, RowsLost
from recorder.source import Origin, RelayedSink

QUICK_ASKS, QUICK_S = 20, 0.1
ENDING_S = 0.5
SOME_ASKS, SOME_S = 75, 1.0
SLOW_S = 5.0
CLOCK_TOLD_NS = 60 * 10**9
MOST_HELD = 32
MOST_ASKED = 64


@dataclass
class RelayIntake:
    """One relay. `recorder_id` is new for each recording; all times are nanoseconds of the recorder's clock."""

    relay: str
    sensors: Collection[str]
    recorder_id: str
    sink: RelayedSink
    started_ns: int
    time_of_day: Callable[[int], str]
    receiver: RelayReceiver = field(default_factory=RelayReceiver)
    clock: RelayClock = field(default_factory=RelayClock)
    foreign: int = 0
    before_start: int = 0
    live: set[str] = field(default_factory=set)
    _asked: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_ASKED))
    _quick: int = QUICK_ASKS
    _held: deque[Batch] = field(default_factory=lambda: deque(maxlen=MOST_HELD))
    _marks: deque[tuple[int, int]] = field(default_factory=deque)  # records written, and the row they cover
    _safe: int = -1
    _clock_told_ns: int | None = None

    def __post_init__(self) -> None:
        self.presence = RelayPresence(self.relay, self._tell, self.time_of_day, self.started_ns)
        self.ending = RelayEnding(self.receiver, self.presence, self.time_of_day)

    # -- what comes --------------------------------------------------------------------------------------------

    def take(self, message: Any, now_ns: int) -> bool:
        """Whether there is news that the relay should hear of at once."""
        match message:
            case Hello():
                return self._greeted(message, now_ns)
            case Answer():
                return self._answered(message, now_ns)
            case Batch():
                return self._batch(message, now_ns)
            case Farewell() if message.boot == self.receiver.boot:
                if message.next is not None:
                    self.ending.ended(message.next - 1)
                self.presence.vanished(now_ns, message.reason == "ended")
                self.live.clear()
        return False

    def _greeted(self, hello: Hello, now_ns: int) -> bool:
        anew = self.receiver.greeted(hello)
        if hello.boot != self.receiver.boot:
            return False  # of a start before the last one
        if anew:
            self._begin(hello)
        self.presence.heard(now_ns)
        self.ending.greeted(hello.next - 1, now_ns)
        return anew

    def _begin(self, hello: Hello) -> None:
        self.clock = RelayClock()
        self._held.clear()
        self._marks.clear()
        self._safe = self.receiver.seen
        self._quick = QUICK_ASKS
        self._clock_told_ns = None
        self.ending.anew()
        self.live.clear()
        words = f"relay {self.relay} answers (version {hello.product}, clock {hello.clock})"
        if hello.lost:
            words += f"; {hello.lost} rows were lost there before, for nobody took them"
        self._tell("found", words, boot=hello.boot, clock=hello.clock, product=hello.product, lost=hello.lost)
        unknown = sorted(set(self.sensors) - set(hello.sensors))
        if unknown and hello.sensors:
            names = ", ".join(unknown)[:200]
            self._tell("bench", f"relay {self.relay} does not look for {names}: is its bench file the same?")

    def _answered(self, answer: Answer, now_ns: int) -> bool:
        """An answer to a question that was not asked, or was answered already, may be anybody's."""
        if (
            answer.recorder != self.recorder_id
            or answer.boot != self.receiver.boot
            or answer.t1_ns not in self._asked
        ):
            self.foreign += 1
            return False
        self._asked.remove(answer.t1_ns)
        exchange = exchange_of(answer, now_ns)
        if exchange is None:
            self.foreign += 1
            return False
        self.presence.heard(now_ns)
        self.ending.answered(answer.t1_ns, answer.next - 1)
        self.sink.happened(
            Event.CLOCK_EXCHANGE,
            relay=self.relay,
            boot=answer.boot,
            t1_ns=answer.t1_ns - self.sink.start_ns,
            t2_ns=answer.t2_ns,
            t3_ns=answer.t3_ns,
            t4_ns=now_ns - self.sink.start_ns,
        )
        if not self.clock.take(exchange):
            self._tell("clock_stepped", f"relay {self.relay}: a clock stepped there or here; measured anew")
            self._quick = QUICK_ASKS
        self._tell_clock(now_ns)
        if not self.clock.ready or not self._held:
            return False
        held, self._held = self._held, deque(maxlen=MOST_HELD)
        for batch in held:
            self._batch(batch, now_ns)
        return True

    def _tell_clock(self, now_ns: int) -> None:
        told_ns = self._clock_told_ns
        if not self.clock.ready or (told_ns is not None and now_ns - told_ns < CLOCK_TOLD_NS):
            return
        self._clock_told_ns = now_ns
        state = self.clock.state(now_ns)
        self.sink.happened(
            Event.RELAY_CLOCK,
            relay=self.relay,
            boot=self.receiver.boot,
            # The relay's clock less the recording's, so that origin_ns - offset_ns is host_ns.
            offset_ns=state.offset_ns + self.sink.start_ns,
            half_width_ns=state.half_width_ns,
            drift_ppm=round(state.drift_ppm, 3),
            drift_half_width_ppm=round(state.drift_half_width_ppm, 3),
            narrowest_ns=state.narrowest_ns,
            exchanges=state.exchanges,
        )

    def _batch(self, batch: Batch, now_ns: int) -> bool:
        if batch.boot == self.receiver.boot:
            self.presence.heard(now_ns)
            if not self.clock.ready:
                self._held.append(batch)
                return False
        newest_ns = None
        for found in self.receiver.take(batch):
            newest_ns = self._deliver(found, now_ns) or newest_ns
        if newest_ns is not None:
            self.ending.delivered(newest_ns)
            self._marks.append((self.sink.written(), self.receiver.seen))
            self.presence.delivered(now_ns - newest_ns)
        return True

    def _deliver(self, found: Delivered, now_ns: int) -> int | None:
        """When it was, on our clock; None for what has no time."""
        if isinstance(found, RowsLost):
            count = found.last - found.first + 1
            words = f"relay {self.relay} lost {count} rows: they could not be delivered for longer than is kept"
            self._tell("lost", words, count=count, first=found.first, last=found.last)
            self._marks.append((self.sink.written(), found.last))
            return None
        host_ns = self.clock.host_ns(found.clock_ns, now_ns)
        if host_ns < self.sink.start_ns:
            self.before_start += 1
        elif isinstance(found, RelayedPayload):
            self._payload(found, host_ns)
        else:
            self._event(found, host_ns)
        return host_ns

    def _payload(self, row: RelayedPayload, host_ns: int) -> None:
        if row.sensor not in self.sensors:
            self.foreign += 1
            return
        kind: RowKind = "relayed" if row.kind == "notification" else row.kind
        origin = Origin(row.clock_ns, row.seq)
        self.sink.relayed(host_ns, origin, row.sensor, row.characteristic, row.payload, kind)
        if kind == "relayed" and row.characteristic in MEASURING:
            self.live.add(row.sensor)

    def _event(self, row: RelayedEvent, host_ns: int) -> None:
        origin = Origin(row.clock_ns, row.seq)
        if row.sensor in self.sensors and row.event in OF_SENSORS:
            self.sink.relayed_event(host_ns, origin, row.event, row.sensor, row.detail)
            if row.event in (Event.LINK_LOST, Event.LINK_FOUND):
                self.live.discard(row.sensor or "")
        elif row.sensor is None and row.event in OF_RELAYS:
            self.sink.relayed_event(host_ns, origin, Event.RELAY, None, at_the_relay(self.relay, row))
        else:
            self.foreign += 1

    # -- what goes ---------------------------------------------------------------------------------------------

    def ask(self, now_ns: int) -> Ask:
        self._asked.append(now_ns)
        return Ask(recorder=self.recorder_id, t1_ns=now_ns)

    def connected(self) -> None:
        """The path may be another one now."""
        self._quick = max(self._quick, self.clock.exchanges + QUICK_ASKS // 2)

    def ask_again_s(self) -> float:
        if self.clock.exchanges < self._quick and self.presence.there:
            return QUICK_S
        if self.ending.asks:
            return ENDING_S
        return SLOW_S if self.clock.exchanges >= SOME_ASKS and self.presence.there else SOME_S

    def ack(self) -> Ack | None:
        """None before the relay has said who it is."""
        if self.receiver.boot is None:
            return None
        settled = self.sink.safe()
        while self._marks and self._marks[0][0] <= settled:
            self._safe = self._marks.popleft()[1]
        return Ack(
            recorder=self.recorder_id,
            boot=self.receiver.boot,
            seen=self.receiver.seen,
            safe=self._safe,
            missing=self.receiver.missing(),
        )

    def goodbye(self) -> Goodbye:
        known = self.ack()
        return Goodbye(
            recorder=self.recorder_id,
            boot=None if known is None else known.boot,
            safe=-1 if known is None else known.safe,
        )

    def look(self, now_ns: int) -> None:
        self.presence.owed(self.presence.there and self.ending.owed > self.receiver.seen, now_ns)
        self.presence.look(now_ns)
        if not self.presence.there:
            self.live.clear()

    def _tell(self, state: str, words: str, **detail: Any) -> None:
        self.sink.happened(Event.RELAY, relay=self.relay, state=state, words=words, **detail)
