"""What became of every notification that was due: a row, a dropped copy, or lost inside a gap that the file marks."""

from __future__ import annotations

import json
from bisect import bisect_left, bisect_right
from collections import defaultdict, deque
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as pq

from analysis.rows import Event, Row

INSTANT_NS = 1_000_000  # a virtual radio delivers in no time; what comes later was held up
BATTERY = "2a19"
_SUBSCRIBED_NS = 2_000_000_000  # the battery is subscribed to after a sensor has told who it is
_MARKS = frozenset({Event.LINK_LOST, Event.LINK_FOUND, Event.SILENT})


@dataclass(frozen=True)
class Due:
    """A notification that a sensor had to send, or (`copy`) one more delivery of it by a leaked subscription."""

    at_ns: int
    characteristic: str
    payload: bytes
    copy: bool = False


@dataclass(frozen=True)
class Account:
    """All notifications of one sensor; `unmarked` and `unknown` ought to be empty.

    `lost` lie in gaps that the file marks, `unmarked` do not. `unknown` are rows that nobody sent.
    """

    due: int
    copies: int
    rows: int
    dropped: int
    lost: int
    unmarked: tuple[int, ...]
    unknown: tuple[int, ...]
    gaps: int

    @property
    def balanced(self) -> bool:
        return (
            not self.unmarked and not self.unknown and self.due + self.copies == self.rows + self.dropped + self.lost
        )


def rows_in_file(path: Path) -> list[Row]:
    """As the journal had them, undecoded."""
    columns = ["host_ns", "row_kind", "sensor", "characteristic", "payload", "event", "detail"]
    table = pq.read_table(path, columns=columns).to_pylist()
    return [Row(**{**row, "detail": json.loads(row["detail"] or "{}")}) for row in table]


def account(due: Iterable[Due], rows: Iterable[Row], sensor: str) -> Account:
    """`due` and `rows` on one clock, rows in the order of the file."""
    owed = sorted(due, key=lambda d: (d.at_ns, d.copy))
    own = [row for row in rows if row.sensor == sensor]
    arrivals = [a for row in own if (a := _arrival(row)) is not None]
    found_ns = sorted(row.host_ns for row in own if row.event == Event.LINK_FOUND)
    left, unknown = _match(owed, arrivals, found_ns)
    marks = sorted(row.host_ns for row in own if row.event in _MARKS)
    told_ns = sorted(row.host_ns for row in own if row.event == Event.IDENTIFIED)
    measured_ns = sorted(at_ns for at_ns, characteristic, _ in arrivals if characteristic != BATTERY)
    unmarked = [
        d.at_ns
        for d in left
        if not _is_marked(d.at_ns, measured_ns, marks)
        and not (d.characteristic == BATTERY and _before_subscription(d.at_ns, found_ns, told_ns))
    ]
    return Account(
        due=sum(not d.copy for d in owed),
        copies=sum(d.copy for d in owed),
        rows=sum(row.row_kind == "notification" for row in own),
        dropped=sum(row.event == Event.DUPLICATE_DROPPED for row in own),
        lost=len(left),
        unmarked=tuple(unmarked),
        unknown=tuple(unknown),
        gaps=sum(row.event == Event.LINK_LOST for row in own),
    )


def _arrival(row: Row) -> tuple[int, str, bytes] | None:
    if row.row_kind == "notification" and row.characteristic is not None and row.payload is not None:
        return row.host_ns, row.characteristic, row.payload
    if row.event == Event.DUPLICATE_DROPPED:
        return row.host_ns, str(row.detail["characteristic"]), bytes.fromhex(str(row.detail["payload"]))
    return None


def _match(
    owed: list[Due], arrivals: list[tuple[int, str, bytes]], found_ns: list[int]
) -> tuple[list[Due], list[int]]:
    """What of `owed` never came, and when something came that was not owed.

    An arrival is what was sent at that very instant, else the earliest that may have been held up: sent on this link,
    and not before what was held up with it, since a radio keeps the order.
    """
    waiting: dict[tuple[str, bytes], deque[Due]] = defaultdict(deque)
    for d in owed:
        waiting[d.characteristic, d.payload].append(d)
    unknown = []
    latest_ns: dict[str, int] = defaultdict(int)
    for at_ns, characteristic, payload in arrivals:
        candidates = waiting[characteristic, payload]
        place = bisect_right(found_ns, at_ns)
        since_ns = max(latest_ns[characteristic], found_ns[place - 1] if place else 0)
        exact = next((d for d in candidates if abs(d.at_ns - at_ns) <= INSTANT_NS), None)
        held = next((d for d in candidates if since_ns <= d.at_ns <= at_ns), None)
        found = exact or held
        if found is None:
            unknown.append(at_ns)
            continue
        candidates.remove(found)
        if exact is None:  # what was sent as a hold-up ended comes behind what it held
            latest_ns[characteristic] = found.at_ns
    return sorted((d for ds in waiting.values() for d in ds), key=lambda d: d.at_ns), unknown


def _is_marked(at_ns: int, measured_ns: list[int], marks_ns: list[int]) -> bool:
    """Whether something is told between the last measurement before it and the first one after."""
    before = bisect_right(measured_ns, at_ns)
    from_ns = measured_ns[before - 1] if before else -(1 << 62)
    after = bisect_left(measured_ns, at_ns)
    to_ns = measured_ns[after] if after < len(measured_ns) else 1 << 62
    return bisect_left(marks_ns, from_ns) < bisect_right(marks_ns, to_ns)


def _before_subscription(at_ns: int, found_ns: list[int], told_ns: list[int]) -> bool:
    place = bisect_right(found_ns, at_ns)
    if not place:
        return True
    after = bisect_left(told_ns, found_ns[place - 1])
    return after == len(told_ns) or at_ns <= told_ns[after] + _SUBSCRIBED_NS
