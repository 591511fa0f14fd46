"""A broker that lets everybody in and then never reads again, as one on a link that has gone bad."""

from __future__ import annotations

import asyncio
import socket
from types import TracebackType

CONNACK = bytes.fromhex("20020000")  # MQTT 3.1.1, 3.2: connection accepted


class MuteBroker:
    def __init__(self) -> None:
        self._server: asyncio.Server | None = None
        self._writers: list[asyncio.StreamWriter] = []
        self.url = ""

    async def __aenter__(self) -> MuteBroker:
        listening = socket.socket()
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)  # so that little is taken before it stops
        listening.bind(("127.0.0.1", 0))
        self.url = f"mqtt://127.0.0.1:{listening.getsockname()[1]}"
        self._server = await asyncio.start_server(self._greet, sock=listening, limit=1024)
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
