"""What screens may do to a running recording, and what they are told of it; knows no socket."""

from __future__ import annotations

import asyncio
import os
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analysis.bench_file import Bench, meter_streams
from analysis.plan_file import Plan
from analysis.rows import Event, Row
from analysis.safe_text import safe_text
from recorder.control_words import LONGEST_TEXT, Ask, Tell
from recorder.host_clock import HostClock
from recorder.plan_runner import PlanRunner
from recorder.ready_words import zero_instructions
from recorder.recording_run import RecordingRun
from recorder.recording_session import RecordingSession
from recorder.resistance_driver import ResistanceDriver
from recorder.source import FindsZero, NotificationSource

SAID_KEPT = 20
_OVER = ("done", "unsupported")  # what more asking would not change


@dataclass
class SaidWords:
    """What is said to people, and the last of it with the second at which it was said."""

    say: Callable[[str], None]
    clock: HostClock
    start_ns: int
    last: deque[tuple[float, str]] = field(default_factory=lambda: deque(maxlen=SAID_KEPT))
    on_change: Callable[[], None] = lambda: None

    def __call__(self, words: str) -> None:
        self.say(words)
        self.keep(words)

    def keep(self, words: str) -> None:
        """For screens only."""
        at_s = (self.clock.now_ns() - self.start_ns) / 1e9
        self.last.append((round(at_s, 1), safe_text(words, 300)))
        self.on_change()


@dataclass(frozen=True)
class ControlledParts:
    """The parts of one recording that are steered or told of."""

    run: RecordingRun
    session: RecordingSession
    source: NotificationSource
    bench: Bench
    plan: Plan | None
    journals: Callable[[], Sequence[Path]]
    resistance: ResistanceDriver | None = None


class RideControl:
    """A `recorder.control_server.Controlled`, and an onlooker of the recording."""

    def __init__(self, said: SaidWords) -> None:
        self._said = said
        self._parts: ControlledParts | None = None
        self._zeroing: asyncio.Task[None] | None = None
        self._settled_at_s: dict[str, float] = {}
        self._reference: str | None = None
        self._storage_words = ""
        self._storage_well = True
        self._recording: Path | None = None
        self._ended_words = ""

    def steer(self, parts: ControlledParts) -> None:
        """From now on."""
        self._parts = parts

    def ended(self, recording: Path | None, words: str) -> None:
        self._recording = recording
        self._ended_words, _, _ = words.partition("\n")  # a screen has its own figures of every sensor

    @property
    def reference(self) -> str | None:
        """The meter that was chosen to compare against while riding."""
        return self._reference

    def close(self) -> None:
        if self._zeroing is not None:
            self._zeroing.cancel()

    def __call__(self, row: Row, _fields: Mapping[str, Any]) -> None:
        """Answers may come late, when nobody waits for them any more; screens are told all the same."""
        if row.event == Event.ZERO_ANSWERED:
            self._said.keep(f"{row.sensor}: zero offset {row.detail.get('words', '')}")
        elif row.event == Event.STORAGE:
            self._storage_words = str(row.detail.get("words", ""))
            self._storage_well = row.detail.get("state") == "well"

    # -- asks --------------------------------------------------------------------------------------------------

    def do(self, ask: Ask) -> str:
        """Carry out what was asked; what came of it, in one sentence."""
        parts = self._parts
        if parts is not None and parts.run.stopping and ask.do == "finish":
            parts.run.stop_at_once("hand")
        if parts is None or parts.run.stopping:
            return "the recording is being finished"
        words = self._done(parts, ask)
        if ask.do != "finish":
            self._said.keep(words)
        return words

    def _done(self, parts: ControlledParts, ask: Ask) -> str:
        match ask.do:
            case "finish":
                parts.run.stop("hand")
            case "mark" | "clap":
                return self._mark(parts, safe_text(ask.text, LONGEST_TEXT), for_a_camera=ask.do == "clap")
            case "zero":
                return self._zero(parts, ask.sensor)
            case "reference":
                return self._choose_reference(parts, ask.sensor)
            case "next" | "skip" | "extend" | "repeat":
                return self._steer_plan(parts, ask)
            case _:
                return self._load(parts.resistance, ask)
        return "the recording is being finished"

    def _mark(self, parts: ControlledParts, text: str, *, for_a_camera: bool) -> str:
        """Without a plan a mark begins or ends a segment; one that lines up a camera never does."""
        parts.session.happened(Event.MARK, text=text)
        if parts.plan is None and not for_a_camera:
            return parts.run.hand_marks.toggle_by_hand(text)
        return f"marked: {text}" if text else "marked"

    def _steer_plan(self, parts: ControlledParts, ask: Ask) -> str:
        run = parts.run
        if run.plan is None:
            return "this ride has no plan"
        if parts.resistance is not None and ask.do in ("next", "skip"):
            parts.resistance.release(f"{ask.do} was pressed")
        if run.plan_begun:
            return _steered(run.plan, ask)
        if ask.do == "next":
            run.begin_plan()
            return "the plan begins"
        return run.plan.skip() if ask.do == "skip" else "the plan has not begun yet"

    def _load(self, resistance: ResistanceDriver | None, ask: Ask) -> str:
        if ask.do not in ("resist", "release"):
            return f"`{ask.do}` is nothing that a recording can do"
        if resistance is None:
            return "no trainer's load is set in this ride"
        return resistance.allow(ask.text) if ask.do == "resist" else resistance.release("a key was pressed")

    def _choose_reference(self, parts: ControlledParts, name: str | None) -> str:
        if name not in [meter.name for meter in parts.bench.meter]:
            return "there is no such meter"
        self._reference = name
        parts.session.happened(Event.NOTE, text=f"compared against {name} on screen from now on")
        return f"compared against {name}"

    def _zero(self, parts: ControlledParts, name: str | None) -> str:
        meters = [meter for meter in parts.bench.meter if name in (None, meter.name)]
        if not isinstance(parts.source, FindsZero) or not meters:
            return "there is no meter to be asked for its zero offset"
        if self._zeroing is not None and not self._zeroing.done():
            return "zero offsets are being asked for already"
        streams = [stream for meter in meters for stream in meter_streams(meter)]
        self._zeroing = asyncio.create_task(self._zero_each(parts, parts.source, streams))
        return "zero offset: " + " ".join(zero_instructions(meters))

    async def _zero_each(self, parts: ControlledParts, source: FindsZero, streams: Sequence[str]) -> None:
        """One after the other, since each wants the cranks still; the answers are told as rows."""
        settled = 0
        for stream in streams:
            answer = await source.zero_offset(stream)
            if answer.outcome == "unreachable":  # leaves no row where the sensor was not even asked
                self._said.keep(f"{stream}: zero offset {answer.words}")
            if answer.outcome in _OVER:
                settled += 1
                self._settled_at_s[stream] = asyncio.get_running_loop().time()
        self._said.keep(f"zero offsets: {settled} of {len(streams)} settled")
        plan = parts.run.plan
        every = [stream for meter in parts.bench.meter for stream in meter_streams(meter)]
        if plan is not None and all(self._settled_at_s.get(s, -1.0) >= plan.state.began_at_s for s in every):
            plan.zeroed()

    # -- the state ---------------------------------------------------------------------------------------------

    def tell(self, owned: bool) -> Tell:
        """:raises RuntimeError: before `steer`."""
        parts = self._parts
        if parts is None:
            raise RuntimeError("nothing is recorded yet")
        return Tell(
            recorded_s=round(parts.session.now_ns / 1e9, 3),
            journals=tuple(str(path.absolute()) for path in parts.journals()),
            bench=parts.bench.as_dict(),
            plan=None if parts.plan is None else parts.plan.as_dict(),
            live=tuple(sorted(parts.source.live())),
            storage_words=self._storage_words,
            storage_well=self._storage_well,
            said=tuple(self._said.last),
            finishing=parts.run.stopping,
            recording=None if self._recording is None else str(self._recording.absolute()),
            reference=self._reference,
            owned=owned,
            pid=os.getpid(),
            question="" if parts.resistance is None else parts.resistance.question,
            ended=bool(self._ended_words),
            ended_words=self._ended_words,
            **_place_in_plan(parts.run),
        )


def _steered(plan: PlanRunner, ask: Ask) -> str:
    match ask.do:
        case "next":
            return plan.next()
        case "skip":
            return plan.skip()
        case "extend":
            return plan.extend(ask.seconds)
    return plan.repeat()


def _place_in_plan(run: RecordingRun) -> dict[str, Any]:
    if run.plan is None:
        return _BEFORE_PLAN
    state, now_s = run.plan.state, asyncio.get_running_loop().time()
    if not run.plan_begun:
        return {**_BEFORE_PLAN, "skipped": state.skipped, "coming": state.following_number}
    return {
        "turn": state.number,
        "resting": state.turn is None,
        "turn_elapsed_s": round(now_s - state.began_at_s, 3),
        "turn_left_s": round(max(0.0, state.ends_at_s - now_s), 3),
        "skipped": state.skipped,
        "repeated": state.repeated,
        "plan_begun": True,
        "coming": state.following_number,
    }


_BEFORE_PLAN: dict[str, Any] = {
    "turn": None,
    "resting": False,
    "turn_elapsed_s": 0.0,
    "turn_left_s": 0.0,
    "skipped": (),
    "repeated": (),
}
