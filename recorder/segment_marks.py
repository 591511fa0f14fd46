"""Opens and closes segments as rows of a recording: one at a time, numbered in riding order."""

from __future__ import annotations

from typing import Any, Literal

from analysis.plan_file import PlanStep, Turn
from analysis.rows import Event
from recorder.source import RecordSink

EndedBy = Literal["plan", "hand", "decided", "stop"]


class SegmentMarks:
    """Whoever opens a segment closes it; a second `close` does nothing. `trainer`: whose load steps may set."""

    def __init__(self, sink: RecordSink, trainer: str | None = None) -> None:
        self._sink = sink
        self._trainer = trainer
        self._last_no = 0
        self._open_no: int | None = None

    @property
    def is_open(self) -> bool:
        return self._open_no is not None

    def open_turn(self, turn: Turn) -> None:
        step = turn.step
        numbered = step.repeat > 1 or turn.repeat_no > 1
        self._open(
            name=f"{step.name} #{turn.repeat_no}" if numbered else step.name,
            step_id=turn.step_id,
            repeat_no=turn.repeat_no,
            step_kind=step.kind,
            posture=step.posture,
            settle_s=step.settle_s,
            **_targets(step),
            **self._resistance(step),
        )

    def _resistance(self, step: PlanStep) -> dict[str, Any]:
        set_to = step.resistance
        if set_to is None or self._trainer is None:
            return {}
        return {"resistance": {"trainer": self._trainer, "mode": set_to.mode, "value": set_to.value}}

    def toggle_by_hand(self, text: str) -> str:
        """For rides without a plan: begins a segment, or ends the one that is open; what was done, in words."""
        if self.is_open:
            number = self._open_no
            self.close("hand")
            return f"segment {number} ended"
        self._open(name=text or f"segment {self._last_no + 1}", step_kind="free", posture="seated", settle_s=0.0)
        return f"segment {self._last_no} begun"

    def close(self, ended_by: EndedBy) -> None:
        if self._open_no is not None:
            self._sink.happened(Event.SEGMENT_END, segment_no=self._open_no, ended_by=ended_by)
            self._open_no = None

    def _open(self, **detail: Any) -> None:
        self._last_no += 1
        self._open_no = self._last_no
        self._sink.happened(Event.SEGMENT_START, segment_no=self._last_no, **detail)


def _targets(step: PlanStep) -> dict[str, float]:
    targets = {"target_w": step.target_w, "cadence_rpm": step.cadence_rpm}
    return {name: value for name, value in targets.items() if value is not None}
