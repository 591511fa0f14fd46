"""What a relay is to do, and what came of it; does nothing itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from recorder.mqtt_client import Broker
from recorder.relay_messages import Topics
from recorder.relay_sender import KEEP_BYTES, KEEP_NS

BATCH_S = 0.2


@dataclass(frozen=True)
class RelayJob:
    """What to forward, where to, and how much to keep."""

    topics: Topics
    broker: Broker
    sensors: Sequence[str]
    batch_s: float = BATCH_S
    keep_ns: int = KEEP_NS
    keep_bytes: int = KEEP_BYTES


@dataclass(frozen=True)
class Forwarded:
    """How it ended: rows from sensors, and those of all rows that no recorder is known to have.

    `in_time` is false where the recording had ended before, so that what is left is from after it.
    """

    received: int
    left: int
    lost: int
    in_time: bool = True

    def in_words(self) -> str:
        left = "all rows are at a recorder"
        if self.left:
            why = "were not confirmed by any recorder" if self.in_time else "came after the recording had ended"
            left = f"{self.left} rows {why}"
        lost = f", {self.lost} rows lost before" if self.lost else ""
        return f"{self.received} rows from sensors; {left}{lost}"
