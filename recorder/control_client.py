"""A screen's end of the control socket: keeps the newest state that the recorder told, and sends what is asked."""

from __future__ import annotations

import contextlib
import functools
import json
import socket
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

from analysis.safe_text import safe_path, safe_text
from recorder.control_place import ControlPlace, control_place
from recorder.control_words import MAX_TOLD_BYTES, Answer, Ask, Tell, to_line, told_from_line
from recorder.errors import NotRecording

SEND_S = 2.0
CONNECT_S = 2.0
AGAIN_AFTER_S = (0.5, 1.0, 2.0, 4.0)  # a screen that was too slow was dropped, but the recording goes on


class ControlClient:
    """Reads in a thread of its own; every method may be called from any thread. `close` when done.

    `again` makes a new connection where this one falls; it is tried a few times, and only to the same recorder.
    """

    def __init__(self, connection: socket.socket, again: Callable[[], _Connected] | None = None) -> None:
        self.answers: deque[str] = deque(maxlen=20)
        self._connection = connection
        self._news = threading.Condition()
        self._tell: Tell | None = None
        self._closed = False
        self._again = again
        self._left = threading.Event()
        self._sending = threading.RLock()  # a signal may come while something is being sent
        threading.Thread(target=self._read, name="control", daemon=True).start()

    @classmethod
    def connect(
        cls, recording_folder: Path, *, own: bool = False, again: bool = False, place: ControlPlace | None = None
    ) -> ControlClient:
        """`own`: this screen has started the recording. `again`: connect anew where the link falls.

        :raises NotRecording: where no recorder answers.
        :raises ControlUnusable: where the private folder is not this user's alone.
        """
        try:
            where = place or control_place(recording_folder)
            connection, greeting = _connected(where)
        except (OSError, ValueError, KeyError, TypeError) as fault:
            shown = safe_path(recording_folder)
            raise NotRecording(
                f"nothing that a screen can attach to is being recorded into {shown}; name the folder of the "
                "recording, and start it with --control"
            ) from fault
        client = cls(connection, functools.partial(_connected, where) if again else None)
        client._greet(greeting)
        if own:
            client.ask(Ask("own"))
        return client

    @property
    def tell(self) -> Tell | None:
        """The newest state; None before the first."""
        return self._tell

    @property
    def closed(self) -> bool:
        """Whether the recorder has gone, or has let this screen go."""
        return self._closed

    def ask(self, ask: Ask) -> bool:
        """Whether it was sent; what comes of it shows in `answers` and in the state."""
        try:
            with self._sending:
                self._connection.sendall(to_line(ask))
        except OSError:
            return False
        return True

    def wait(self, seconds: float) -> Tell | None:
        """Until a further state is told, the link ends, or the time is over; the newest state."""
        with self._news:
            if not self._closed:
                self._news.wait(seconds)
        return self._tell

    def close(self) -> None:
        self._closed = True
        self._left.set()
        with contextlib.suppress(OSError):  # the other end may have gone first
            self._connection.shutdown(socket.SHUT_RDWR)
        self._connection.close()

    def _greet(self, greeting: list[Ask]) -> None:
        for ask in greeting:
            self.ask(ask)

    def _read(self) -> None:
        self._read_link()
        while self._link_is_back():
            self._read_link()
        if self._left.is_set():
            self._connection.close()  # one that came back just when somebody left
        with self._news:
            self._closed = True
            self._news.notify_all()

    def _link_is_back(self) -> bool:
        """After a few tries at most; at once False where there is nothing to come back to."""
        if self._again is None or self._left.is_set() or self._tell is None or self._tell.ended:
            return False
        self.answers.append("the link to the recorder fell; trying again")
        for pause_s in AGAIN_AFTER_S:
            if self._left.wait(pause_s):
                return False
            with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
                connection, greeting = self._again()
                with self._sending:
                    self._connection.close()
                    self._connection = connection
                self._greet(greeting)
                return not self._left.is_set()
        return False

    def _read_link(self) -> None:
        unread = b""
        while len(unread) <= MAX_TOLD_BYTES:
            data = self._received()
            if not data:
                break
            *lines, unread = (unread + data).split(b"\n")
            for line in lines:
                self._take(line)

    def _received(self) -> bytes:
        while True:
            try:
                return self._connection.recv(65536)
            except TimeoutError:
                continue  # the limit is for sending
            except OSError:
                return b""

    def _take(self, line: bytes) -> None:
        told = told_from_line(line)
        if isinstance(told, Answer):
            self.answers.append(safe_text(told.words, 300))
        elif told is not None and self._tell is not None and told.pid != self._tell.pid:
            self._left.set()  # meanwhile another recording has begun there, which is not what this screen shows
            self._connection.close()
        elif told is not None:
            with self._news:
                self._tell = told
                self._news.notify_all()


_Connected = tuple[socket.socket, list[Ask]]


def _connected(place: ControlPlace) -> _Connected:
    """The connection, and what has to be said first."""
    if place.has_sockets:
        connection = socket.socket(socket.AF_UNIX)
        try:
            connection.settimeout(SEND_S)
            connection.connect(str(place.socket_path))
        except OSError:
            connection.close()
            raise
        return connection, []
    told = json.loads(place.port_path.read_text())
    connection = socket.create_connection(("127.0.0.1", int(told["port"])), CONNECT_S)
    connection.settimeout(SEND_S)
    return connection, [Ask("token", text=str(told["token"]))]
