"""The relay at work: its own sensors on one side, a broker on the other, and what is not safe yet in between."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, suppress
from typing import Any

from analysis.rows import Event
from analysis.version import product_version
from recorder.host_clock import HostClock
from recorder.host_watch import BEAT_S, HostWatch
from recorder.mqtt_client import BrokerTrouble, Connection, Will, connected, keep_connected
from recorder.plain_lines import PlainLines
from recorder.relay_gate import Flooded, MessageGate
from recorder.relay_job import Forwarded, RelayJob
from recorder.relay_messages import (
    DOWN,
    MOST_NAMES,
    NAME_LENGTH,
    Ack,
    Answer,
    Ask,
    Farewell,
    Goodbye,
    Hello,
    to_bytes,
)
from recorder.relay_sender import RelaySender
from recorder.relay_sink import RelaySink
from recorder.relay_tasks import together
from recorder.relay_watch import RelayWatch
from recorder.source import NotificationSource

__all__ = ["Forwarded", "RelayForwarder", "RelayJob"]

HELLO_S = 2.0
LOOK_S = 0.25
RETRY_S = 1.0
FLUSH_S = 5.0
CLOSE_S = 3.0
FLOOD_PAUSE_S = 10.0
PUBLISH_S = 20.0  # a slow link needs some time for a batch; one that is dead is noticed by its keep-alive


class RelayForwarder:
    """`run` forwards until `stop`. `say` is given a line for each change."""

    def __init__(
        self, job: RelayJob, source: NotificationSource, clock: HostClock, say: Callable[[str], None]
    ) -> None:
        self._job = job
        self._source = source
        self._clock = clock
        self._say = say
        self._boot = secrets.token_hex(8)
        self._sender = RelaySender(self._boot, job.keep_ns, job.keep_bytes)
        self.sink = RelaySink(self._sender, clock, PlainLines(say))
        topics = job.topics
        where = f"{job.broker.address}, session {topics.session}, as {topics.relay}"
        self._watch = RelayWatch(self._say_now, where, topics.up("batch"))
        self._gate = MessageGate({topics.down(name): name for name in DOWN})
        self._greet = asyncio.Event()
        self._news = asyncio.Event()
        self._stopping: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._pause_s = 0.0

    def stop(self, reason: str) -> None:
        if not self._stopping.done():
            self._stopping.set_result(reason)

    async def run(self) -> Forwarded:
        """:raises RecorderError: at the beginning, where no sensor, or this broker, can ever be reached."""
        await self._source.check()
        await self._check_broker()
        serving = asyncio.ensure_future(self._serve())
        listening = asyncio.ensure_future(together(self._keep_listening(), self._beat(), self._look()))
        try:
            ends: list[asyncio.Future[Any]] = [serving, listening, self._stopping]
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            await self._flush(listening)
        finally:
            listening.cancel()
            serving.cancel()
            # A broker or a radio that hangs must not keep us for ever; the rest unwinds with the loop.
            await asyncio.wait([serving, listening], timeout=CLOSE_S)
        for task in (serving, listening):
            if task.done() and not task.cancelled():
                task.result()
        in_time = not self._watch.finished
        return Forwarded(self.sink.received_rows, self._sender.kept, self._sender.lost, in_time)

    async def _check_broker(self) -> None:
        try:
            async with asyncio.timeout(CLOSE_S), self._connect():
                return
        except BrokerTrouble as trouble:
            if trouble.lasting:
                raise
        except TimeoutError:
            return

    async def _flush(self, listening: asyncio.Task[None]) -> None:
        """What can still be delivered is."""
        with suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                await self._source.close()
        self.sink.open = False
        self._news.set()
        with suppress(TimeoutError):
            async with asyncio.timeout(FLUSH_S):
                while self._can_deliver() and not listening.done():  # noqa: ASYNC110 - nobody calls back
                    await asyncio.sleep(0.05)

    def _can_deliver(self) -> bool:
        return self._sender.kept > 0 and self._watch.recorder_is_there(self._clock.now_ns())

    def _say_now(self, words: str) -> None:
        minutes, seconds = divmod((self._clock.now_ns() - self.sink.start_ns) // 10**9, 60)
        self._say(f"{minutes:3d}:{seconds:02d}  {words}")

    # -- the sensors -------------------------------------------------------------------------------------------

    async def _keep_listening(self) -> None:
        while True:
            try:
                await self._source.run(self.sink)
            except Exception as fault:  # noqa: BLE001 - whatever breaks in a radio's code, the others are forwarded
                self.sink.happened(Event.NOTE, text=f"the radio failed, started again: {fault}")
            await asyncio.sleep(RETRY_S)

    async def _beat(self) -> None:
        watch = HostWatch(self._clock, self.sink)
        while True:
            watch.beat()
            await asyncio.sleep(BEAT_S)

    async def _look(self) -> None:
        while True:
            now_ns = self._clock.now_ns()
            self._watch.look(now_ns, self._sender.kept, self._sender.behind_s(now_ns), self._sender.lost)
            await asyncio.sleep(LOOK_S)

    # -- the broker --------------------------------------------------------------------------------------------

    def _connect(self) -> AbstractAsyncContextManager[Connection]:
        farewell = to_bytes(Farewell(boot=self._boot, reason="vanished"))
        will = Will(self._job.topics.up("gone"), farewell)
        return connected(self._job.broker, f"wp{self._boot}", will)

    async def _serve(self) -> None:
        def tell(trouble: BrokerTrouble | None) -> None:
            self._watch.connection(None if trouble is None else str(trouble), self._clock.now_ns())

        await keep_connected(self._connect, self._use, tell, self._pause)

    async def _pause(self, seconds: float) -> None:
        pause_s, self._pause_s = max(seconds, self._pause_s), 0.0
        await asyncio.sleep(pause_s)

    async def _use(self, connection: Connection) -> None:
        for name in DOWN:
            await connection.subscribe(self._job.topics.down(name))
        self._sender.reconnected(self._clock.now_ns())
        self._greet.set()
        try:
            await together(self._read(connection), self._send(connection), self._say_hello(connection))
        except Flooded:
            self._pause_s = FLOOD_PAUSE_S
            raise BrokerTrouble("the broker floods us with messages; see its topic rules.") from None
        finally:
            if self._stopping.done():
                await self._say_farewell(connection)

    async def _say_farewell(self, connection: Connection) -> None:
        farewell = to_bytes(Farewell(boot=self._boot, reason="ended", next=self._sender.next_seq))
        with suppress(BrokerTrouble):
            await connection.publish(self._job.topics.up("gone"), farewell, qos=0, timeout_s=1.0)

    async def _say_hello(self, connection: Connection) -> None:
        while True:
            self._greet.clear()
            hello = Hello(
                boot=self._boot,
                product=product_version()[:NAME_LENGTH],
                clock=self._clock.name[:NAME_LENGTH],
                next=self._sender.next_seq,
                kept_from=self._sender.kept_from,
                lost=self._sender.lost,
                sensors=list(self._job.sensors) if len(self._job.sensors) <= MOST_NAMES else [],
            )
            await connection.publish(self._job.topics.up("hello"), to_bytes(hello), qos=0)
            with suppress(TimeoutError):
                async with asyncio.timeout(HELLO_S):
                    await self._greet.wait()

    async def _send(self, connection: Connection) -> None:
        """A batch each `batch_s`; further ones at once while there is a backlog and room under way."""
        topic, loop = self._job.topics.up("batch"), asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            self._news.clear()
            batches = self._sender.batches(self._clock.now_ns())
            # Together, since each waits for the broker's word on it.
            await asyncio.gather(*(connection.publish(topic, b.data, timeout_s=PUBLISH_S) for b in batches))
            if not self._sender.backlog:
                due_s = max(due_s + self._job.batch_s, loop.time())
                await asyncio.sleep(due_s - loop.time())
                continue
            with suppress(TimeoutError):
                async with asyncio.timeout(self._job.batch_s):
                    await self._news.wait()

    async def _read(self, connection: Connection) -> None:
        async for received in connection.messages():
            now_ns = self._clock.now_ns()
            message: Any = self._gate.take(received.topic, received.payload, received.retained, now_ns)
            if isinstance(message, Ask | Ack):
                self._recorder_heard(message.recorder, now_ns)
            if isinstance(message, Ask):
                await self._answer(connection, message, now_ns)
            elif isinstance(message, Ack) and self._sender.acknowledged(message, now_ns):
                self._watch.arrived(now_ns)
                self._news.set()
            elif isinstance(message, Goodbye) and self._sender.finished_by(
                message.recorder, message.boot, message.safe, now_ns
            ):
                self._watch.recorder_finished()

    def _recorder_heard(self, recorder: str, now_ns: int) -> None:
        if self._sender.answered_by(recorder, now_ns):
            self.sink.tell_again()
            self._greet.set()
            self._watch.arrived(now_ns)
        if recorder == self._sender.recorder:
            self._watch.recorder_heard(now_ns)

    async def _answer(self, connection: Connection, ask: Ask, asked_ns: int) -> None:
        answer = Answer(
            recorder=ask.recorder,
            boot=self._boot,
            t1_ns=ask.t1_ns,
            t2_ns=asked_ns,
            t3_ns=self._clock.now_ns(),
            next=self._sender.next_seq,
        )
        await connection.publish(self._job.topics.up("answer"), to_bytes(answer), qos=0)
