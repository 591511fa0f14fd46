"""Brokers that a real one cannot be made to be: one that never reads again, and one that lets nobody subscribe."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from types import TracebackType

CONNACK = bytes.fromhex("20020000")  # MQTT 3.1.1, 3.2: connection accepted


class MuteBroker:
    """Lets everybody in and then falls silent, as at the end of a link that has gone bad."""

    def __init__(self) -> None:
        self._server: asyncio.Server | None = None
        self._writers: list[asyncio.StreamWriter] = []
        self.url = ""

    async def __aenter__(self) -> MuteBroker:
        listening = socket.socket()
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)  # so that little is taken before it is full
        listening.bind(("127.0.0.1", 0))
        self.url = f"mqtt://127.0.0.1:{listening.getsockname()[1]}"
        self._server = await asyncio.start_server(self._greet, sock=listening, limit=65536)
        return self

    async def _greet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        if await reader.read(64):
            writer.write(CONNACK)

    async def __aexit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for writer in self._writers:
            writer.transport.abort()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()


class DenyingBroker(MuteBroker):
    """Says 0x80 to every subscription (MQTT 3.1.1, 3.9.3) and acknowledges what is published, which it keeps."""

    def __init__(self) -> None:
        super().__init__()
        self.published: list[bytes] = []

    async def _greet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind, body = await _packet(reader)
                writer.write(self._answer(kind, body))

    def _answer(self, kind: int, body: bytes) -> bytes:
        match kind >> 4:
            case 1:  # CONNECT
                return CONNACK
            case 3:  # PUBLISH; at QoS 1 its number stands behind the topic
                topic_end = 2 + int.from_bytes(body[:2])
                self.published.append(body[topic_end + 2 :])
                return b"\x40\x02" + body[topic_end : topic_end + 2]
            case 8:  # SUBSCRIBE
                return b"\x90\x03" + body[:2] + b"\x80"
            case 12:  # PINGREQ
                return b"\xd0\x00"
        return b""


async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """First byte and body; the length between them is written seven bits at a time (MQTT 3.1.1, 2.2.3)."""
    (kind,) = await reader.readexactly(1)
    length, shift = 0, 0
    while True:
        (byte,) = await reader.readexactly(1)
        length |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return kind, await reader.readexactly(length)
