"""The recorder's end of the control socket: any number of screens, none of which is ever waited for."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import socket
import struct
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Protocol

from recorder.control_place import ControlPlace
from recorder.control_words import MAX_LINE_BYTES, Answer, Ask, Tell, ask_from_line, to_line
from recorder.errors import ControlUnusable, RecorderError

TELL_EVERY_S = 0.5
UNSENT_BYTES = 256 * 1024  # what a watcher may leave unread before it is dropped
ASKS_AT_ONCE = 16  # of one watcher, before notifications get their turn again
BREATH_S = 0.01
FLUSH_S = 1.0
_OWNERS = {
    "finish": "the screen that started this recording ends it",
    "resist": "the screen that started this recording answers for the trainer's load",
}


class Controlled(Protocol):
    """What the server stands in front of. Both are quick and called in the event loop."""

    def do(self, ask: Ask) -> str:
        """Carry out an ask of somebody who may ask it; what came of it, in one sentence."""

    def tell(self, owned: bool) -> Tell:
        """The present state."""


class ControlServer:
    """Lives in the event loop of the recorder. `changed` asks for the state to be told soon."""

    def __init__(self, place: ControlPlace, controlled: Controlled) -> None:
        self._place = place
        self._controlled = controlled
        self._token: str | None = None
        self._watchers: set[_Watcher] = set()
        self._owner: _Watcher | None = None
        self._answerer: _Watcher | None = None  # whose key allowed the trainer's load
        self._server: asyncio.Server | None = None
        self._telling: asyncio.Task[None] | None = None
        self._changed = asyncio.Event()
        self.faults = 0

    @property
    def watchers(self) -> int:
        return len(self._watchers)

    @property
    def answerer_there(self) -> bool:
        """Whether the screen whose key allowed a trainer's load is still attached."""
        return self._answerer is not None

    async def open(self) -> None:
        """:raises ControlUnusable: where no socket can be made."""
        loop = asyncio.get_running_loop()
        try:
            if self._place.has_sockets:
                self._server = await loop.create_unix_server(self._watcher, self._place.socket_path)
            else:
                self._token = secrets.token_hex(16)
                self._server = await loop.create_server(self._watcher, "127.0.0.1", 0)
                port = self._server.sockets[0].getsockname()[1]
                _write_private(self._place.port_path, json.dumps({"port": port, "token": self._token}))
        except OSError as fault:
            await self.close()
            raise ControlUnusable(f"no screen can attach ({fault.strerror or fault}); recording goes on.") from fault
        self._telling = asyncio.create_task(self._keep_telling())

    def changed(self) -> None:
        self._changed.set()

    async def close(self) -> None:
        """Tell the last state, give watchers a moment to take it, and go. Never raises."""
        if self._telling is not None:
            self._telling.cancel()
            self._tell_all(last=True)
            await self._flushed()
        for watcher in list(self._watchers):
            watcher.leave()
        if self._server is not None:
            self._server.close()
        for path in (self._place.socket_path, self._place.port_path):
            with contextlib.suppress(OSError):  # its folder is in the temp dir, where the next recorder takes it over
                path.unlink(missing_ok=True)

    async def _flushed(self) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FLUSH_S):
                while any(watcher.unsent_bytes for watcher in self._watchers):  # noqa: ASYNC110 - the end of patience
                    await asyncio.sleep(BREATH_S)

    async def _keep_telling(self) -> None:
        while True:
            self._changed.clear()
            self._tell_all()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(TELL_EVERY_S):
                    await self._changed.wait()

    def _tell_all(self, *, last: bool = False) -> None:
        if not self._watchers:
            return
        line = self._state_line()
        for watcher in list(self._watchers):
            # A state is whole, so whoever has not read the last one needs only the newest when he reads again.
            if watcher.admitted and (last or not watcher.unsent_bytes):
                watcher.send(line)

    def _state_line(self) -> bytes:
        try:
            return to_line(self._controlled.tell(self._owner is not None))
        except Exception:  # noqa: BLE001 - whatever is wrong with what is told, the recording goes on; counted
            self.faults += 1
            return b""

    # -- what watchers report ----------------------------------------------------------------------------------

    def _watcher(self) -> _Watcher:
        return _Watcher(self)

    def joined(self, watcher: _Watcher) -> None:
        self._watchers.add(watcher)
        watcher.admitted = self._token is None
        if watcher.admitted:
            watcher.send(self._state_line())

    def left(self, watcher: _Watcher) -> None:
        self._watchers.discard(watcher)
        if self._answerer is watcher:
            self._answerer = None
        if self._owner is watcher:
            self._owner = None
            self._changed.set()

    def asked(self, watcher: _Watcher, line: bytes) -> None:
        ask = ask_from_line(line)
        if not watcher.admitted:
            self._admit(watcher, ask)
        elif isinstance(ask, str):
            watcher.send(to_line(Answer(ask)))
        else:
            words = self._carry_out(watcher, ask)
            if words:
                watcher.send(to_line(Answer(words)))
            self._changed.set()

    def _admit(self, watcher: _Watcher, ask: Ask | str) -> None:
        known = isinstance(ask, Ask) and ask.do == "token" and secrets.compare_digest(ask.text, self._token or "")
        if not known:
            watcher.drop()
            return
        watcher.admitted = True
        watcher.send(self._state_line())

    def _carry_out(self, watcher: _Watcher, ask: Ask) -> str:
        if ask.do == "token":
            return ""
        if ask.do == "own":
            if self._owner not in (None, watcher):
                return "another screen has started this recording"
            self._owner = watcher
            return ""
        if ask.do in _OWNERS and self._owner not in (None, watcher):
            return _OWNERS[ask.do]
        if ask.do == "resist":
            self._answerer = watcher
        try:
            return self._controlled.do(ask)
        except Exception as fault:  # noqa: BLE001 - whatever an ask sets off, the recording goes on; counted
            self.faults += 1
            return f"that could not be done ({type(fault).__name__})"


@contextlib.asynccontextmanager
async def served(server: ControlServer | None, say: Callable[[str], None]) -> AsyncIterator[None]:
    """Screens may attach inside; where they cannot, that is said, and the ride is recorded all the same."""
    if server is None:
        yield
        return
    try:
        await server.open()
    except RecorderError as fault:
        say(str(fault))
    try:
        yield
    finally:
        await server.close()


class _Watcher(asyncio.Protocol):
    """One connection. Sends without ever waiting; what is not read in time ends it."""

    def __init__(self, server: ControlServer) -> None:
        self._server = server
        self._transport: asyncio.Transport | None = None
        self._unread = b""
        self._pausing: asyncio.TimerHandle | None = None
        self.admitted = False

    @property
    def unsent_bytes(self) -> int:
        return 0 if self._transport is None else self._transport.get_write_buffer_size()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        if not isinstance(transport, asyncio.Transport) or not _is_ours(transport):
            transport.close()
            return
        self._transport = transport
        self._server.joined(self)

    def connection_lost(self, _error: Exception | None) -> None:
        if self._pausing is not None:
            self._pausing.cancel()
        self._transport = None
        self._server.left(self)

    def data_received(self, data: bytes) -> None:
        self._unread += data
        self._take_lines()

    def _take_lines(self) -> None:
        self._pausing = None
        for _ in range(ASKS_AT_ONCE):
            line, newline, rest = self._unread.partition(b"\n")
            if self._transport is None:
                return
            if len(line) > MAX_LINE_BYTES:
                self.send(to_line(Answer(f"a request has at most {MAX_LINE_BYTES} bytes")))
                self.leave()
                return
            if not newline:
                self._transport.resume_reading()
                return
            self._unread = rest
            self._server.asked(self, line)
        self._breathe()

    def _breathe(self) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.pause_reading()
            self._pausing = asyncio.get_running_loop().call_later(BREATH_S, self._take_lines)

    def send(self, line: bytes) -> None:
        if self._transport is None or self._transport.is_closing():
            return
        self._transport.write(line)
        if self.unsent_bytes > UNSENT_BYTES:
            self.drop()

    def leave(self) -> None:
        """After what is unsent has gone out."""
        if self._transport is not None:
            self._transport.close()

    def drop(self) -> None:
        if self._transport is not None:
            self._transport.abort()


_PEER = struct.Struct("3i")  # pid, uid, gid: unix(7), SO_PEERCRED


def _is_ours(transport: asyncio.Transport) -> bool:
    """Whether the other end is a process of this user, where the system can tell; the folder guards the rest."""
    connection = transport.get_extra_info("socket")
    if sys.platform != "linux" or connection is None or connection.family != socket.AF_UNIX:
        return True
    _, uid, _ = _PEER.unpack(connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size))
    return uid in (0, os.getuid())


def _write_private(path: Path, text: str) -> None:
    path.unlink(missing_ok=True)
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(fd, "w") as file:
        file.write(text)
