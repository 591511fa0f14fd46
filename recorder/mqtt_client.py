"""The only module that knows aiomqtt: connect, publish, subscribe, and each trouble as one plain sentence.

MQTT 3.1.1 is spoken, which every broker knows. It cannot tell that a message was refused by the topic rules or for
its size: such a message is acknowledged and dropped. Who must know that a message arrived has to hear it from its
reader.
"""

from __future__ import annotations

import asyncio
import logging
import random
import socket
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import aiomqtt

from recorder.broker_address import Broker, BrokerAddress, checked_topic, open_broker
from recorder.broker_trouble import BrokerTrouble, connect_trouble, lost_trouble

__all__ = [
    "Broker",
    "BrokerAddress",
    "BrokerTrouble",
    "Connection",
    "Received",
    "Will",
    "checked_topic",
    "connected",
    "keep_connected",
    "open_broker",
]

KEEPALIVE_S = 5
TIMEOUT_S = 5.0
BACKOFF_S = (1.0, 2.0, 4.0, 8.0, 15.0)
MOST_WAITING = 1000
LONGEST_PAYLOAD = 64 * 1024

_T = TypeVar("_T")
# The library says in its log what is said here in sentences; without a handler it would go to the terminal.
_QUIET = logging.getLogger("recorder.mqtt_client")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False


@dataclass(frozen=True)
class Will:
    """What the broker publishes in our name if we vanish. Never retained."""

    topic: str
    payload: bytes
    qos: int = 1


@dataclass(frozen=True)
class Received:
    topic: str
    payload: bytes
    retained: bool


class _Waiting(asyncio.Queue[aiomqtt.Message]):
    """The library's own queue, which would throw messages away without counting them."""

    dropped = 0

    def put_nowait(self, item: aiomqtt.Message) -> None:
        try:
            super().put_nowait(item)
        except asyncio.QueueFull:
            self.dropped += 1


class Connection:
    """A connection in use; made by `connected` only."""

    def __init__(self, client: aiomqtt.Client, coming: _Waiting, address: BrokerAddress, most_waiting: int) -> None:
        self._client = client
        self._coming = coming
        self._address = address
        self._waiting: deque[Received] = deque()
        self._most_waiting = most_waiting
        self._news = asyncio.Event()
        self._lost: BrokerTrouble | None = None
        self._gone = asyncio.Event()
        self._dropped = 0

    @property
    def dropped(self) -> int:
        """Messages thrown away, since nobody took those before them in time or since they were too long."""
        return self._dropped + self._coming.dropped

    async def publish(
        self, topic: str, payload: bytes, qos: int = 1, retain: bool = False, timeout_s: float = TIMEOUT_S
    ) -> None:
        """Returns once the broker acknowledged (QoS 1) or the bytes were sent (QoS 0). :raises BrokerTrouble:"""
        await self._unless_lost(self._client.publish(topic, payload, qos, retain, timeout=timeout_s))

    async def subscribe(self, topic_filter: str, qos: int = 1) -> None:
        """:raises BrokerTrouble: also where the broker says that this account may not read there."""
        codes = await self._unless_lost(self._client.subscribe(topic_filter, qos))
        if any(getattr(code, "value", code) >= 128 for code in codes):
            raise BrokerTrouble(
                f"{self._address}: the broker does not let this account read {topic_filter}; mend its topic rules.",
                lasting=True,
            )

    async def messages(self) -> AsyncIterator[Received]:
        """What was subscribed to, oldest first; at most `most_waiting` wait. :raises BrokerTrouble: at the end."""
        while True:
            while self._waiting:
                yield self._waiting.popleft()
            if self._lost is not None:
                raise self._lost
            self._news.clear()
            await self._news.wait()

    async def _take(self) -> None:
        """Runs beside the user of the connection; also the one who hears that it is lost."""
        try:
            async for message in self._client.messages:
                payload = message.payload
                if len(self._waiting) >= self._most_waiting or len(payload) > LONGEST_PAYLOAD:
                    self._dropped += 1
                    continue
                self._waiting.append(Received(message.topic.value, bytes(payload), bool(message.retain)))
                self._news.set()
        except aiomqtt.MqttError as error:
            self._lost = self._trouble(error)
            self._news.set()
            self._gone.set()

    async def _unless_lost(self, asking: Coroutine[Any, Any, _T]) -> _T:
        """Left to itself the library waits for an answer until its time-out even after the connection went."""
        asked = asyncio.create_task(asking)
        gone = asyncio.create_task(self._gone.wait())
        try:
            await asyncio.wait((asked, gone), return_when=asyncio.FIRST_COMPLETED)
            if not asked.done() and self._lost is not None:
                raise self._lost
            return await asked
        except aiomqtt.MqttError as error:
            raise self._trouble(error) from error
        finally:
            asked.cancel()
            gone.cancel()

    def _trouble(self, error: aiomqtt.MqttError) -> BrokerTrouble:
        return self._lost or lost_trouble(self._address, error)


@asynccontextmanager
async def connected(
    broker: Broker,
    client_id: str,
    will: Will | None = None,
    keepalive_s: int = KEEPALIVE_S,
    most_waiting: int = MOST_WAITING,
    timeout_s: float = TIMEOUT_S,
) -> AsyncIterator[Connection]:
    """One connection, for as long as the block runs. :raises BrokerTrouble: where none can be made."""
    address = broker.address
    if broker.tls_context is not None or not address.local:
        await _try_door(broker, timeout_s)
    coming = _Waiting(most_waiting)
    client = aiomqtt.Client(
        address.host,
        address.port,
        username=address.user,
        password=broker.password,
        identifier=client_id,
        clean_session=True,
        keepalive=keepalive_s,
        timeout=timeout_s,
        tls_context=broker.tls_context,
        will=None if will is None else aiomqtt.Will(will.topic, will.payload, will.qos, retain=False),
        queue_type=cast("type[asyncio.Queue[aiomqtt.Message]]", lambda maxsize: coming),
        max_queued_outgoing_messages=most_waiting,
        # Small messages that wait for an answer: holding them back to join them would cost 40 ms each time.
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        logger=_QUIET,
    )
    await _enter(client, address)
    connection = Connection(client, coming, address, most_waiting)
    taking = asyncio.create_task(connection._take())
    try:
        yield connection
    finally:
        # The will is for those who vanish; a farewell that fails changes nothing.
        with suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)
        taking.cancel()
        with suppress(asyncio.CancelledError):
            await taking


async def _try_door(broker: Broker, timeout_s: float) -> None:
    """Opens and closes a connection with asyncio's own means. The library would do it in a thread, which cannot be
    cancelled, and would leave the socket to the garbage collector where TLS fails."""
    address = broker.address
    try:
        async with asyncio.timeout(timeout_s):
            _, writer = await asyncio.open_connection(address.host, address.port, ssl=broker.tls_context)
        writer.close()
        with suppress(OSError, TimeoutError):
            async with asyncio.timeout(timeout_s):
                await writer.wait_closed()
    except (OSError, UnicodeError) as error:
        raise connect_trouble(address, error) from error


async def _enter(client: aiomqtt.Client, address: BrokerAddress) -> None:
    """The library opens the socket in a thread, which cannot be stopped: a cancelled attempt is waited for, at most
    for its own time-outs, and hung up, so that no socket is left behind."""
    attempt = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.shield(attempt)
    except asyncio.CancelledError:
        with suppress(aiomqtt.MqttError, UnicodeError):
            await attempt
            await client.__aexit__(None, None, None)
        raise
    except (aiomqtt.MqttError, UnicodeError) as error:
        raise connect_trouble(address, error) from error


async def keep_connected(
    connect: Callable[[], AbstractAsyncContextManager[Connection]],
    use: Callable[[Connection], Awaitable[None]],
    tell: Callable[[BrokerTrouble | None], None],
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    rng: random.Random | None = None,
) -> None:
    """Connects, runs `use`, and begins again after each trouble, until `use` returns.

    `tell` hears each trouble, and None at each connection made. Pauses are stretched by up to a quarter at random, so
    that many clients do not come back to a restarted broker in the same instant.
    """
    rng = rng or random.Random()
    failures = 0
    while True:
        try:
            async with connect() as connection:
                failures = 0
                tell(None)
                await use(connection)
                return
        except BrokerTrouble as trouble:
            tell(trouble)
        failures += 1
        await sleep(BACKOFF_S[min(failures, len(BACKOFF_S)) - 1] * rng.uniform(1.0, 1.25))
