"""Walks through a plan in time, as steered by hand, and marks each step as a segment; judges nothing itself."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass

from analysis.plan_file import Plan, PlanStep, Turn
from analysis.rows import Event
from recorder.segment_marks import EndedBy, SegmentMarks
from recorder.source import RecordSink

POLL_S = 2.0  # how often it is asked whether the evidence suffices
LONGEST_CHANGE_S = 3600.0  # by which a step can be made longer or shorter with one key
SPRINT_REST_S = 180.0  # before a sprint that is ridden again by hand, where the plan gives no rest
_EARLY_S = 1e-6  # timers of an event loop may fire a hair before their time


def _never() -> bool:
    return False


@dataclass(frozen=True)
class PlanState:
    """Where the ride is: the present turn (None between turns), the next one, and when the present stretch ends.

    Times are those of the event loop. `number` counts the plan's turns from 0, as does each entry of `skipped` and
    `repeated`, where a turn that is ridden again stands once for each time. A step that waits for somebody goes on
    beyond `ends_at_s`.
    """

    turn: Turn | None
    following: Turn | None
    ends_at_s: float
    began_at_s: float = 0.0
    number: int | None = None
    following_number: int | None = None
    skipped: tuple[int, ...] = ()
    repeated: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Coming:
    """A turn still to be ridden; `number` is that of the plan's turn, also where it is ridden once more."""

    number: int
    turn: Turn
    again: bool = False


class PlanRunner:
    """Runs once. The hand's wishes may come at any time, from the loop's thread; each answers in one sentence.

    `decided` is asked every 2 s in steps that end on a verdict; `attended` tells whether somebody is there to ask for
    a zero offset, since only then is it worth waiting for one. `trainer` is the one whose load may be set.
    """

    def __init__(
        self,
        plan: Plan,
        sink: RecordSink,
        on_state: Callable[[PlanState], None] | None = None,
        *,
        decided: Callable[[], bool] = _never,
        attended: Callable[[], bool] = _never,
        trainer: str | None = None,
    ) -> None:
        self._coming = deque(_Coming(number, turn) for number, turn in enumerate(plan.turns()))
        self._sink = sink
        self._on_state = on_state or (lambda state: None)
        self._decided = decided
        self._attended = attended
        self._marks = SegmentMarks(sink, trainer)
        self._wake = asyncio.Event()
        self._present: _Coming | None = None  # None in a rest
        self._last: _Coming | None = None
        self._highest_repeat = Counter(c.turn.step_id for c in self._coming)
        self._began_at_s = self._ends_at_s = 0.0
        self._cut: EndedBy | None = None
        self._skipped: tuple[int, ...] = ()
        self._repeated: tuple[int, ...] = ()

    @property
    def state(self) -> PlanState:
        present = self._present
        return PlanState(
            turn=present.turn if present else None,
            following=self._coming[0].turn if self._coming else None,
            ends_at_s=self._ends_at_s,
            began_at_s=self._began_at_s,
            number=present.number if present else None,
            following_number=self._coming[0].number if self._coming else None,
            skipped=self._skipped,
            repeated=self._repeated,
        )

    @property
    def until_decided(self) -> bool:
        """Whether the present step ends on a verdict."""
        return self._present is not None and self._present.turn.step.until == "decided"

    async def run(self) -> None:
        """Returns when the last step is over; cancelling closes the open segment as ended by `stop`."""
        # Absolute times, so that the lateness of one step does not shift all that follow.
        self._ends_at_s = asyncio.get_running_loop().time()
        try:
            while self._coming:
                await self._rest()
                if self._coming:  # else the last one was skipped meanwhile
                    await self._ride(self._coming.popleft())
        finally:
            self._marks.close("stop")

    # -- what a hand may do ------------------------------------------------------------------------------------

    def next(self) -> str:
        """End the present step or rest now."""
        self._end_stretch("hand")
        return "on to the next step" if self._coming else "that was the last step"

    def skip(self) -> str:
        """Leave out the coming step; a rest goes on to its end, since it belongs to what was ridden."""
        if not self._coming:
            return "nothing is left to skip"
        left_out = self._coming.popleft()
        if left_out.again:
            self._repeated = _without_last(self._repeated, left_out.number)
        else:
            self._skipped += (left_out.number,)
        turn = left_out.turn
        self._sink.happened(Event.STEP_SKIPPED, step_id=turn.step_id, repeat_no=turn.repeat_no)
        self._wake.set()
        return f"skipped: {turn.step.name}"

    def extend(self, seconds: float) -> str:
        """Make the present step or rest longer, or shorter where `seconds` is below 0."""
        if not -LONGEST_CHANGE_S <= seconds <= LONGEST_CHANGE_S:
            return f"a step is changed by at most {LONGEST_CHANGE_S:.0f} s at once"
        self._ends_at_s = max(asyncio.get_running_loop().time(), self._ends_at_s + seconds)
        self._wake.set()
        return f"{abs(seconds):.0f} s {'longer' if seconds >= 0 else 'shorter'}"

    def repeat(self) -> str:
        """Ride the present step once more when it is over; in a rest, the one before it."""
        again = self._present or self._last
        if again is None:
            return "nothing was ridden yet"
        step = again.turn.step
        self._highest_repeat[again.turn.step_id] += 1
        rest_s = step.rest_s or (SPRINT_REST_S if step.kind == "sprint" else 0.0)
        turn = Turn(again.turn.step_id, self._highest_repeat[again.turn.step_id], step, rest_s)
        self._coming.appendleft(_Coming(again.number, turn, again=True))
        self._repeated += (again.number,)
        self._wake.set()
        return f"{step.name} comes once more"

    def zeroed(self) -> None:
        """Every meter has its zero offset: a step that waits for that is over."""
        if self._present is not None and self._present.turn.step.kind == "zero":
            self._end_stretch("plan")

    # -- the walk ----------------------------------------------------------------------------------------------

    async def _rest(self) -> None:
        rest_s = self._coming[0].turn.rest_s
        if rest_s:
            self._begin(None, rest_s)
            while self._coming and not await self._stretch_is_over(self._ends_at_s):
                pass

    async def _ride(self, coming: _Coming) -> None:
        self._begin(coming, coming.turn.step.seconds)
        ended_by = await self._stretch(coming.turn.step)
        self._marks.close(ended_by)
        self._present, self._last = None, coming

    def _begin(self, coming: _Coming | None, seconds: float) -> None:
        self._began_at_s = self._ends_at_s
        self._ends_at_s = self._began_at_s + seconds
        self._cut = None
        self._present = coming
        if coming is not None:
            self._marks.open_turn(coming.turn)
        self._on_state(self.state)

    async def _stretch(self, step: PlanStep) -> EndedBy:
        ask_at_s = self._began_at_s + step.settle_s if step.until == "decided" else math.inf
        while not await self._stretch_is_over(min(self._ends_at_s, ask_at_s)):
            if _reached(ask_at_s):
                ask_at_s += POLL_S
                if self._decided():
                    self._end_stretch("decided")
            elif _reached(self._ends_at_s):
                await self._wait_for_zero()
        return self._cut or "plan"

    async def _stretch_is_over(self, wake_at_s: float) -> bool:
        """Wait until then, or until a hand has done something."""
        self._wake.clear()
        if self._cut is None and not _reached(wake_at_s):
            timer = asyncio.get_running_loop().call_at(wake_at_s, self._wake.set)
            try:
                await self._wake.wait()
            finally:
                timer.cancel()
            if not _reached(wake_at_s):
                self._on_state(self.state)  # a hand has changed it
        return self._cut is not None or (_reached(self._ends_at_s) and not self._waits_for_zero())

    def _waits_for_zero(self) -> bool:
        return self._present is not None and self._present.turn.step.kind == "zero" and self._attended()

    async def _wait_for_zero(self) -> None:
        """The time of the step is over, somebody is there, and not every meter has its zero offset."""
        while self._cut is None and self._waits_for_zero():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(POLL_S):
                    await self._wake.wait()
            self._wake.clear()
        self._ends_at_s = asyncio.get_running_loop().time()

    def _end_stretch(self, ended_by: EndedBy) -> None:
        self._cut = ended_by
        self._ends_at_s = asyncio.get_running_loop().time()
        self._wake.set()


def _reached(at_s: float) -> bool:
    return at_s <= asyncio.get_running_loop().time() + _EARLY_S


def _without_last(numbers: tuple[int, ...], number: int) -> tuple[int, ...]:
    place = len(numbers) - 1 - numbers[::-1].index(number)
    return numbers[:place] + numbers[place + 1 :]
