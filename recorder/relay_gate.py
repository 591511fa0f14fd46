"""The border where messages from a broker come in: foreign ones are passed over and counted, a flood is refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from recorder.relay_messages import NotOurs, from_bytes

# A relay that catches up sends some tens of messages in a second.
PER_S = 100.0
AT_ONCE = 400.0


class Flooded(Exception):
    """More messages than a relay and a recorder ever have for each other."""


@dataclass
class MessageGate:
    """`names`: the last part of each topic that is listened to, by the whole topic."""

    names: Mapping[str, str]
    retained: int = 0
    malformed: int = 0
    _room: float = AT_ONCE
    _last_ns: int = 0

    def take(self, topic: str, payload: bytes, retained: bool, now_ns: int) -> Any:
        """The message, or None for one of another day or of no use.

        :raises Flooded: hang up and come back later; what was sent meanwhile is sent again.
        """
        self._room = min(AT_ONCE, self._room + (now_ns - self._last_ns) / 1e9 * PER_S) - 1
        self._last_ns = now_ns
        if self._room < 0:
            self._room = AT_ONCE
            raise Flooded
        name = self.names.get(topic)
        if name is None:
            return None
        if retained:
            self.retained += 1
            return None
        try:
            return from_bytes(name, payload)
        except NotOurs:
            self.malformed += 1
            return None
