"""Walks through a plan in time and marks each step as a segment; says what comes next, judges nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from analysis.plan_file import Plan, Turn
from analysis.rows import Event
from recorder.source import RecordSink


@dataclass(frozen=True)
class PlanState:
    """Where the ride is: the present turn (None between turns), the next one, and the time left in the present."""

    turn: Turn | None
    following: Turn | None
    ends_at_s: float


class PlanRunner:
    """Runs once; `on_state` is told at every change. Times are those of the running event loop."""

    def __init__(self, plan: Plan, sink: RecordSink, on_state: Callable[[PlanState], None] | None = None) -> None:
        self._turns = list(plan.turns())
        self._sink = sink
        self._on_state = on_state or (lambda state: None)
        self._open_segment: int | None = None

    async def run(self) -> None:
        """Returns when the last step is over; cancelling closes the open segment as ended by `stop`."""
        # Absolute times, so that the lateness of one step does not shift all that follow.
        at_s = asyncio.get_running_loop().time()
        try:
            for number, turn in enumerate(self._turns):
                following = self._turns[number + 1] if number + 1 < len(self._turns) else None
                if turn.rest_s:
                    at_s += turn.rest_s
                    self._on_state(PlanState(None, turn, at_s))
                    await _until(at_s)
                at_s += turn.step.seconds
                self._start(number + 1, turn)
                self._on_state(PlanState(turn, following, at_s))
                await _until(at_s)
                self._end("plan")
        finally:
            self._end("stop")

    def _start(self, segment_no: int, turn: Turn) -> None:
        step = turn.step
        detail: dict[str, Any] = {
            "segment_no": segment_no,
            "name": step.name if step.repeat == 1 else f"{step.name} #{turn.repeat_no}",
            "step_id": turn.step_id,
            "repeat_no": turn.repeat_no,
            "step_kind": step.kind,
            "posture": step.posture,
            "settle_s": step.settle_s,
        }
        if step.target_w is not None:
            detail["target_w"] = step.target_w
        if step.cadence_rpm is not None:
            detail["cadence_rpm"] = step.cadence_rpm
        self._open_segment = segment_no
        self._sink.happened(Event.SEGMENT_START, **detail)

    def _end(self, ended_by: str) -> None:
        if self._open_segment is not None:
            self._sink.happened(Event.SEGMENT_END, segment_no=self._open_segment, ended_by=ended_by)
            self._open_segment = None


async def _until(at_s: float) -> None:
    await asyncio.sleep(max(0.0, at_s - asyncio.get_running_loop().time()))
