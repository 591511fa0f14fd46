"""What a recording without a screen says while it runs: links, troubles and the steps of the plan, a line each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.report_page.event_words import event_words
from analysis.rows import Event, Row
from analysis.safe_text import safe_text
from recorder.plan_runner import PlanState
from recorder.ride_so_far import TEXT_LIMIT, UNTOLD

_SAID_BEFORE = frozenset({Event.READY, Event.FINISHED})


@dataclass
class PlainLines:
    """An onlooker of the recording and of its plan; `say` is for whatever else has something to tell."""

    out: Callable[[str], None]
    _now_ns: int = 0
    _line: str = ""
    _of_sensor: dict[str, str] = field(default_factory=dict)
    _turn: tuple[int | None, float] | None = None

    def __call__(self, row: Row, fields: Mapping[str, Any]) -> None:
        self._now_ns = max(self._now_ns, row.host_ns)
        if row.event is None or row.event in UNTOLD or row.event in _SAID_BEFORE:
            return
        words = safe_text(event_words(row), TEXT_LIMIT)
        if row.sensor is None:
            self.say(words)
        elif self._of_sensor.get(row.sensor) != words:  # waiting is tried again and again
            self._of_sensor[row.sensor] = words
            self.say(f"{safe_text(row.sensor)}: {words}")

    def say(self, words: str) -> None:
        """What stands among the events as well is not said twice."""
        if words != self._line:
            self._line = words
            minutes, seconds = divmod(self._now_ns // 10**9, 60)
            self.out(f"{minutes:3d}:{seconds:02d}  {words}")

    def on_plan(self, state: PlanState) -> None:
        turn = (state.number, state.began_at_s)
        if turn == self._turn:
            return  # a hand has changed its length
        self._turn = turn
        seconds = state.ends_at_s - state.began_at_s
        if state.turn is None:
            self.say(f"rest: {seconds:.0f} s")
            return
        step = state.turn.step
        target = "" if step.target_w is None else f", {step.target_w:g} W"
        posture = "" if step.posture == "seated" else f", {step.posture}"
        self.say(f"{step.name}: {seconds:.0f} s{target}{posture}")
