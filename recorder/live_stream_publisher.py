"""Publishes a ride that another process records, twice a second, without ever holding anybody up.

It is a watcher like a screen: it follows the journal, so the recorder never waits for it and does not know of it. A
message that could not be sent before the next one was ready is dropped and counted; none is ever retained.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from recorder.errors import NotRecording
from recorder.host_clock import HostClock
from recorder.live_snapshot import Snapshot
from recorder.live_stream import live_json, topic_base
from recorder.mqtt_client import Broker, BrokerTrouble, Connection, connected, keep_connected

EVERY_S = 0.5
SEND_S = 2.0
FAREWELL_S = 3.0
LONGEST_BYTES = 16 * 1024  # eight meters need 5 KB; the example of a broker lets 64 KiB pass


@dataclass
class LivePublisher:
    """`next_snapshot` may block; it raises NotRecording where the recorder has gone. No `topic`: the bench's own."""

    next_snapshot: Callable[[], Snapshot]
    broker: Broker
    topic: str | None
    clock: HostClock
    say: Callable[[str], None]
    every_s: float = EVERY_S
    sent: int = 0
    dropped: int = 0
    _newest: bytes | None = None
    _news: asyncio.Event = field(default_factory=asyncio.Event)
    _over: bool = False
    _connected: bool = False
    _was_connected: bool = False
    _told: str = ""

    async def run(self) -> int:
        """Until the recording has ended: exit status 0, or 3 where the recorder went without a last word.

        :raises BrokerTrouble: where the broker never let us in for a reason that will not mend by itself.
        """
        sending = asyncio.create_task(self._keep_sending())
        try:
            status = await self._keep_making(sending)
            self._over = True
            self._news.set()
            if self._connected:
                await asyncio.wait([sending], timeout=FAREWELL_S)
        finally:
            sending.cancel()
            with suppress(asyncio.CancelledError, BrokerTrouble):
                await sending
        self.dropped += self._newest is not None
        self.say(f"published {self.sent} messages to {self.topic}; {self.dropped} dropped")
        return status

    async def _keep_making(self, sending: asyncio.Task[None]) -> int:
        while True:
            try:
                snapshot = await asyncio.to_thread(self.next_snapshot)
            except NotRecording as fault:
                self.say(str(fault))
                return 3
            self.topic = self.topic or f"{topic_base(snapshot.bench)}/live"
            self._offer(live_json(snapshot, self.clock.utc_ns()))
            if snapshot.ended:
                return 0
            await asyncio.wait([sending], timeout=self.every_s)
            if sending.done():
                sending.result()

    def _offer(self, message: bytes) -> None:
        if len(message) > LONGEST_BYTES:
            self.dropped += 1
            self._say_once(f"messages of more than {LONGEST_BYTES} bytes are not published; use a smaller bench")
            return
        if self._newest is not None:
            self.dropped += 1
        self._newest = message
        self._news.set()

    async def _keep_sending(self) -> None:
        identity = f"wattproof-{secrets.token_hex(6)}"
        await keep_connected(lambda: connected(self.broker, identity), self._send, self._hear)

    async def _send(self, connection: Connection) -> None:
        """QoS 0: an overlay wants the present, and what is late is of no use to it."""
        while True:
            await self._news.wait()
            self._news.clear()
            message, self._newest = self._newest, None
            if message is not None:
                await self._send_one(connection, message)
            if self._over and self._newest is None:
                return

    async def _send_one(self, connection: Connection, message: bytes) -> None:
        under_way = True
        try:
            await connection.publish(self.topic or "", message, qos=0, timeout_s=SEND_S)
            under_way = False
        finally:
            self.sent += not under_way
            self.dropped += under_way

    def _hear(self, trouble: BrokerTrouble | None) -> None:
        self._connected = trouble is None
        if trouble is None:
            self._was_connected = True
            self._say_once(f"publishing to {self.broker.address}")
            return
        if trouble.lasting and not self._was_connected:
            raise trouble
        self._say_once(f"{trouble} The recording goes on; trying again.")

    def _say_once(self, words: str) -> None:
        if words != self._told:
            self._told = words
            self.say(words)
