"""Stretches of a recording in which an arrival does not tell when something was measured; knows events, no values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.rows import Event, Row
from analysis.samples import Ints, SensorSamples

# The recorder looks at its clocks four times a second: it may have stood still since the last look, and what had
# queued up may be dated until the next.
LOOK_NS = 250_000_000
_ASLEEP_OR_STILL = {Event.HOST_STOOD_STILL: "still_s", Event.SUSPENDED: "asleep_s"}

Span = tuple[int, int]


def takes_dates(row: Row) -> bool:
    """Whether this event says of some stretch that arrivals in it are undatable."""
    return row.event in _ASLEEP_OR_STILL or row.event == Event.BURST or _of_relay(row) in _ASLEEP_OR_STILL


def with_untimed(samples: SensorSamples, events: Iterable[Row], *, relayed: bool = False) -> SensorSamples:
    """The samples of one sensor, knowing which of them these events (in order) make undatable.

    `relayed`: a relay has dated them, whose computer may stand still as well.
    """
    spans = [*host_spans(events, relayed=relayed), *burst_spans(samples, events)]
    return replace(samples, untimed_ns=joined(spans)) if spans else samples


def untimed_mark(samples: Mapping[str, SensorSamples]) -> object:
    """Changes whenever another stretch becomes undatable: what was computed before holds no more."""
    return tuple(s.untimed_ns.tobytes() for s in samples.values())


def host_spans(events: Iterable[Row], *, relayed: bool = False) -> list[Span]:
    """When the computer stood still or slept: what every sensor sent meanwhile is dated at its end.

    `relayed`: that of any relay instead. With several, each costs what the others forwarded as well.
    """
    found = []
    for row in events:
        key = _ASLEEP_OR_STILL.get(_of_relay(row) if relayed else row.event or "")
        length_ns = _ns(row.detail, key) if key is not None else None
        if length_ns is not None:
            found.append((max(row.host_ns - length_ns - LOOK_NS, 0), row.host_ns + LOOK_NS))
    return found


def burst_spans(samples: SensorSamples, events: Iterable[Row]) -> list[Span]:
    """When the radio held up packets of this sensor: from the last one before the pause to the last of the burst.

    The event is written down with the first packet behind the burst.
    """
    found = []
    for row in events:
        if row.event != Event.BURST or row.sensor != samples.sensor:
            continue
        length_ns = _ns(row.detail, "span_s")
        behind = int(np.searchsorted(samples.arrivals_ns, row.host_ns, side="right")) - 1
        if length_ns is not None and behind >= 1:
            last_ns = int(samples.arrivals_ns[behind - 1])
            found.append((max(last_ns - length_ns, 0), last_ns))
    return found


def joined(spans: Sequence[Span]) -> Ints:
    """In order and apart (k, 2): those that touch are one."""
    found: list[list[int]] = []
    for start_ns, stop_ns in sorted(spans):
        if found and start_ns <= found[-1][1]:
            found[-1][1] = max(found[-1][1], stop_ns)
        elif stop_ns > start_ns:
            found.append([start_ns, stop_ns])
    return np.array(found, np.int64).reshape(-1, 2)


def _of_relay(row: Row) -> str:
    return str(row.detail.get("state", "")) if row.event == Event.RELAY else ""


def _ns(detail: Mapping[str, Any], key: str) -> int | None:
    """None where the event does not say; a file may hold anything."""
    length_s = detail.get(key)
    if not isinstance(length_s, int | float) or not math.isfinite(length_s) or not 0 < length_s < 1e9:
        return None
    return round(length_s * 1e9)
