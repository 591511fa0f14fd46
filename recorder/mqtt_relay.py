"""Sensors that a relay forwards through a broker: carries messages between the broker and the intake of one relay."""

from __future__ import annotations

import asyncio
import secrets
from contextlib import AbstractAsyncContextManager, suppress
from datetime import UTC, datetime

from analysis.rows import Event
from recorder.errors import RecorderError
from recorder.host_clock import HostClock
from recorder.mqtt_client import BrokerTrouble, Connection, connected, keep_connected
from recorder.relay_gate import Flooded, MessageGate
from recorder.relay_intake import RelayIntake
from recorder.relay_messages import UP, Hello, to_bytes
from recorder.relay_places import RelayPlace
from recorder.relay_tasks import together
from recorder.source import NotHere, RecordSink, RelayedSink

LOOK_S = 0.25
ACK_S, ACK_AGAIN_S, ACK_PAUSE_S = 0.25, 2.0, 0.05
FLOOD_PAUSE_S = 10.0
CLOSE_S = 3.0
GOODBYE_S = 1.0


class RelaySource:
    """A `recorder.source.NotificationSource` that `ComesLate`, of one relay; its sink must be a `RelayedSink`."""

    def __init__(self, place: RelayPlace, clock: HostClock) -> None:
        self._place = place
        self._clock = clock
        self._recorder_id = secrets.token_hex(16)
        self._intake: RelayIntake | None = None
        self._gate = MessageGate({place.topics.up(name): name for name in UP})
        self._work: asyncio.Task[None] | None = None
        self._news = asyncio.Event()
        self._ask_now = asyncio.Event()
        self._over = False
        self._pause_s = 0.0

    async def check(self) -> None:
        """A broker that is away may come back; one that refuses us will go on doing so. :raises BrokerTrouble:"""
        try:
            async with asyncio.timeout(CLOSE_S), self._connect():
                return
        except BrokerTrouble as trouble:
            if trouble.lasting:
                raise
        except TimeoutError:
            return

    async def run(self, sink: RecordSink) -> None:
        if not isinstance(sink, RelayedSink):
            raise RecorderError("what a relay sends can only be recorded")
        now_ns = self._clock.now_ns()
        if self._intake is None:
            self._intake = RelayIntake(
                self._place.topics.relay, self._place.sensors, self._recorder_id, sink, now_ns, self._time_of_day
            )
            self._intake.presence.where = f"{self._place.broker.address}, session {self._place.topics.session}"
        self._over = False
        self._work = asyncio.ensure_future(self._serve(self._intake))
        self._work.add_done_callback(lambda work: work.cancelled() or work.exception())
        try:
            await asyncio.shield(self._work)
        finally:
            # Not waited for here: a broker that hangs must not stand between the ride and the disk.
            self._over = True
            self._work.cancel()

    async def close(self) -> None:
        if self._work is not None:
            if not self._over:  # else it is saying goodbye, which a second cancelling would cut short
                self._work.cancel()
            with suppress(asyncio.CancelledError):
                await asyncio.wait([self._work], timeout=CLOSE_S)
            self._work.cancel()

    def live(self) -> frozenset[str]:
        return frozenset() if self._intake is None else frozenset(self._intake.live)

    def ending(self) -> None:
        if self._intake is not None:
            self._intake.ending.begin(self._clock.now_ns())
            self._ask_now.set()

    def still_to_come(self) -> str:
        return "" if self._intake is None else self._intake.ending.still_to_come()

    def not_here(self) -> tuple[NotHere, ...]:
        found = None if self._intake is None else self._intake.ending.not_here()
        return () if found is None else (found,)

    # -- the connection ----------------------------------------------------------------------------------------

    def _connect(self) -> AbstractAsyncContextManager[Connection]:
        return connected(self._place.broker, f"wp{secrets.token_hex(8)}")

    async def _serve(self, intake: RelayIntake) -> None:
        async def use(connection: Connection) -> None:
            await self._use(connection, intake)

        def tell(trouble: BrokerTrouble | None) -> None:
            intake.presence.trouble = "" if trouble is None else str(trouble)

        await together(keep_connected(self._connect, use, tell, self._pause), self._look(intake))

    async def _pause(self, seconds: float) -> None:
        pause_s, self._pause_s = max(seconds, self._pause_s), 0.0
        await asyncio.sleep(pause_s)

    async def _use(self, connection: Connection, intake: RelayIntake) -> None:
        for name in UP:
            await connection.subscribe(self._place.topics.up(name))
        intake.connected()
        try:
            await together(
                self._read(connection, intake), self._ask(connection, intake), self._acknowledge(connection, intake)
            )
        except Flooded:
            self._pause_s = FLOOD_PAUSE_S
            words = f"relay {intake.relay}: flooded by foreign messages, heard again in {FLOOD_PAUSE_S:.0f} s"
            intake.sink.happened(Event.RELAY, relay=intake.relay, state="flooded", words=words)
            raise BrokerTrouble("the broker floods us with messages; see its topic rules.") from None
        finally:
            if self._over:
                await self._say_goodbye(connection, intake)

    async def _say_goodbye(self, connection: Connection, intake: RelayIntake) -> None:
        with suppress(BrokerTrouble):
            topic = self._place.topics.down("bye")
            await connection.publish(topic, to_bytes(intake.goodbye()), timeout_s=GOODBYE_S)

    async def _read(self, connection: Connection, intake: RelayIntake) -> None:
        async for received in connection.messages():
            now_ns = self._clock.now_ns()
            message = self._gate.take(received.topic, received.payload, received.retained, now_ns)
            if message is not None and intake.take(message, now_ns):
                self._news.set()
                if isinstance(message, Hello):  # nothing can be dated before its clock is known
                    self._ask_now.set()

    async def _ask(self, connection: Connection, intake: RelayIntake) -> None:
        topic = self._place.topics.down("ask")
        while True:
            await connection.publish(topic, to_bytes(intake.ask(self._clock.now_ns())), qos=0)
            with suppress(TimeoutError):
                async with asyncio.timeout(intake.ask_again_s()):
                    await self._ask_now.wait()
            self._ask_now.clear()

    async def _acknowledge(self, connection: Connection, intake: RelayIntake) -> None:
        """At once where rows came, when more of them are safe, and now and then so that the relay knows of us."""
        topic, last, last_ns = self._place.topics.down("ack"), None, 0
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(ACK_S):
                    await self._news.wait()
            self._news.clear()
            ack, now_ns = intake.ack(), self._clock.now_ns()
            if ack is not None and (ack != last or now_ns - last_ns > ACK_AGAIN_S * 1e9):
                await connection.publish(topic, to_bytes(ack), qos=0)
                last, last_ns = ack, now_ns
                await asyncio.sleep(ACK_PAUSE_S)

    async def _look(self, intake: RelayIntake) -> None:
        while True:
            intake.look(self._clock.now_ns())
            await asyncio.sleep(LOOK_S)

    def _time_of_day(self, clock_ns: int) -> str:
        utc_ns = self._clock.utc_ns() - (self._clock.now_ns() - clock_ns)
        return f"{datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone():%H:%M:%S}"
