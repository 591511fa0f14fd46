"""What the events of a recording amount to so far: segments, links, answers, troubles, and messages for people."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from analysis.report_page.event_words import event_words
from analysis.rows import Event, Row
from analysis.safe_text import safe_text
from recorder.live_snapshot import Health, Message

MESSAGES_KEPT = 50
TEXT_LIMIT = 200
SEGMENT_EVENTS = (Event.SEGMENT_START, Event.SEGMENT_END)
# What came is told by a link's state, by the recorder itself, or would be too much to tell.
UNTOLD = frozenset(
    {
        *SEGMENT_EVENTS,
        Event.DUPLICATE_DROPPED,
        Event.BURST,
        Event.IDENTIFIED,
        Event.STORAGE,
        Event.ZERO_ASKED,
        Event.ZERO_ANSWERED,
        Event.RESISTANCE,
        Event.CLOCK_EXCHANGE,
        Event.RELAY_CLOCK,
    }
)
_WEIGHTS: dict[str, Health] = {
    Event.LINK_LOST: "watch",
    Event.SILENT: "watch",
    Event.HOST_STOOD_STILL: "watch",
    Event.SUSPENDED: "bad",
    Event.NOT_UNDERSTOOD: "watch",
    Event.BLUETOOTH_SERVICE: "watch",
}


@dataclass
class Link:
    """Times are nanoseconds of the recording; None where that has not happened."""

    found_ns: int | None = None
    lost_ns: int | None = None
    reason: str = ""
    next_try_ns: int | None = None  # of a connection that failed

    @property
    def is_lost(self) -> bool:
        return self.lost_ns is not None and (self.found_ns is None or self.found_ns < self.lost_ns)


@dataclass
class RideSoFar:
    """`take` reads on in a list of events that only grows, so that each is looked at once."""

    segment_rows: list[Row] = field(default_factory=list)
    lag_rows: list[Row] = field(default_factory=list)
    links: dict[str, Link] = field(default_factory=dict)
    battery_pct: dict[str, float] = field(default_factory=dict)
    zero_answers: dict[str, str] = field(default_factory=dict)
    messages: deque[Message] = field(default_factory=lambda: deque(maxlen=MESSAGES_KEPT))
    clock_row: Row | None = None
    _taken: int = 0
    _told: dict[str, str] = field(default_factory=dict)

    def take(self, events: Sequence[Row]) -> None:
        for row in events[self._taken :]:
            self._take(row)
        self._taken = len(events)

    def _take(self, row: Row) -> None:
        if row.event in SEGMENT_EVENTS:
            self.segment_rows.append(row)
        elif row.event == Event.LAG_ADOPTED:
            self.lag_rows.append(row)
        elif row.event in (Event.HOST_STOOD_STILL, Event.SUSPENDED):
            self.clock_row = row
        if row.sensor is not None:
            self._take_of_sensor(row, row.sensor, row.detail)
        self._tell(row)

    def _take_of_sensor(self, row: Row, sensor: str, detail: Any) -> None:
        link = self.links.setdefault(sensor, Link())
        if row.event == Event.LINK_FOUND:
            link.found_ns = row.host_ns
        elif row.event == Event.LINK_LOST:
            link.lost_ns = row.host_ns
        if row.event in (Event.LINK_LOST, Event.LINK_WAITING):
            link.reason = safe_text(str(detail.get("reason", "")), TEXT_LIMIT)
            link.next_try_ns = _next_try_ns(row) if row.event == Event.LINK_WAITING else None
        elif row.event == Event.ZERO_ANSWERED:
            self.zero_answers[sensor] = safe_text(str(detail.get("words", "")), TEXT_LIMIT)
        elif row.event == Event.IDENTIFIED and isinstance(found := detail.get("battery_pct"), int | float):
            self.battery_pct[sensor] = float(found)

    def _tell(self, row: Row) -> None:
        """The same words of the same sensor are told once, until it has others: waiting is tried again and again."""
        if row.event is None or row.event in UNTOLD:
            return
        words = safe_text(event_words(row), TEXT_LIMIT)
        who = "" if row.sensor is None else safe_text(row.sensor)
        if not words or (who and self._told.get(who) == words):
            return
        self._told[who] = words
        weight = _WEIGHTS.get(row.event, "well")
        self.messages.append(Message(row.host_ns / 1e9, f"{who}: {words}" if who else words, weight))


def _next_try_ns(row: Row) -> int | None:
    """None where nothing has failed: what does not advertise is looked for all the time."""
    next_try_s = row.detail.get("next_try_s")
    if not row.detail.get("failures") or not isinstance(next_try_s, int | float):
        return None
    return row.host_ns + round(next_try_s * 1e9)


def with_said(messages: Sequence[Message], said: Sequence[tuple[float, str]]) -> tuple[Message, ...]:
    """In order of time; what stands among the events as well is not said twice."""
    told = [(m.at_s, m.text) for m in messages]
    more = [
        Message(at_s, safe_text(text, TEXT_LIMIT))
        for at_s, text in said
        if not any(math.isclose(at_s, at, abs_tol=3) and text == words for at, words in told)
    ]
    return tuple(sorted([*messages, *more], key=lambda m: m.at_s)[-MESSAGES_KEPT:])
