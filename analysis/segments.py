"""Segments: half-open stretches of a recording, in nanoseconds, each from one step of the plan or from a hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from analysis.plan_file import resistance_words
from analysis.rows import Event, Row

_BEYOND_ANY_RIDE = 1e6  # seconds, watts, or the number of a segment


@dataclass(frozen=True)
class SetResistance:
    """What the plan had the recorder set `trainer` to; a hand had to let it go there first."""

    trainer: str
    mode: str
    value: float

    @property
    def holds_power(self) -> bool:
        """A trainer that holds a power by itself shows its own target, whatever the rider does."""
        return self.mode == "target-power"

    @property
    def words(self) -> str:
        return f"{self.trainer} set to {resistance_words(self.mode, self.value)}"


@dataclass(frozen=True)
class Segment:
    """`[start_ns, stop_ns)` of the host clock; figures are taken from `judged_from_ns` on, after settling."""

    segment_no: int
    name: str
    start_ns: int
    stop_ns: int
    settle_ns: int = 0
    step_id: str | None = None
    repeat_no: int = 1
    step_kind: str = "free"
    posture: str = "seated"
    target_w: float | None = None
    cadence_rpm: float | None = None
    ended_by: str | None = None
    resistance: SetResistance | None = None

    @property
    def judged_from_ns(self) -> int:
        return min(self.start_ns + self.settle_ns, self.stop_ns)

    @property
    def judged_s(self) -> float:
        return (self.stop_ns - self.judged_from_ns) / 1e9


def segments_from_events(events: Iterable[Row], end_ns: int) -> tuple[Segment, ...]:
    """In order of their start; a segment that was never ended (recovered ride) ends with the recording."""
    open_starts: dict[int, Row] = {}
    found: list[Segment] = []
    for row in events:
        number = segment_number(row)
        if number is None:
            continue
        if row.event == Event.SEGMENT_START:
            open_starts[number] = row
        elif row.event == Event.SEGMENT_END and number in open_starts:
            found.append(_segment(open_starts.pop(number), row.host_ns, row.detail.get("ended_by")))
    found += [_segment(start, end_ns, "interrupted") for start in open_starts.values()]
    return tuple(sorted(found, key=lambda s: (s.start_ns, s.segment_no)))


def segment_number(row: Row) -> int | None:
    """None for an event of no segment, or with a number that no recorder has written."""
    number = row.detail.get("segment_no")
    if not isinstance(number, int) or isinstance(number, bool) or not abs(number) < _BEYOND_ANY_RIDE:
        return None
    return number


def whole_ride(end_ns: int) -> Segment:
    """What is judged where nothing else was marked."""
    return Segment(segment_no=0, name="whole ride", start_ns=0, stop_ns=end_ns)


def _number(value: Any) -> float | None:
    """None for what is no number, or beyond any ride; a file may hold anything."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number and abs(value) < _BEYOND_ANY_RIDE else None


def _segment(start: Row, stop_ns: int, ended_by: Any) -> Segment:
    detail = start.detail
    return Segment(
        segment_no=detail["segment_no"],
        name=str(detail.get("name", f"segment {detail['segment_no']}")),
        start_ns=start.host_ns,
        stop_ns=max(stop_ns, start.host_ns),
        settle_ns=round(max(_number(detail.get("settle_s")) or 0.0, 0.0) * 1e9),
        step_id=None if detail.get("step_id") is None else str(detail["step_id"]),
        repeat_no=round(_number(detail.get("repeat_no")) or 1),
        step_kind=str(detail.get("step_kind", "free")),
        posture=str(detail.get("posture", "seated")),
        target_w=_number(detail.get("target_w")),
        cadence_rpm=_number(detail.get("cadence_rpm")),
        ended_by=None if ended_by is None else str(ended_by),
        resistance=_resistance(detail.get("resistance")),
    )


def _resistance(told: Any) -> SetResistance | None:
    """None also for what no version of ours has written."""
    value = _number(told.get("value")) if isinstance(told, Mapping) else None
    if value is None:
        return None
    return SetResistance(str(told.get("trainer", "")), str(told.get("mode", "")), value)
