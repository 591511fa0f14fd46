"""A plan walked through and steered by hand, on virtual time: when each segment begins, ends, and why."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.plan_file import Plan, parse_plan
from analysis.rows import Event
from analysis.segments import segments_from_events
from recorder.plan_runner import SPRINT_REST_S, PlanRunner, PlanState
from recorder.recording_session import RecordingSession
from recorder.segment_marks import SegmentMarks
from simulated_sensors.virtual_time import run_virtual
from tests.riding import FakeLog, LoopClock, plan_of

EASY = 'name = "easy"\nkind = "free"\nseconds = 10'
STEADY = 'name = "steady"\nkind = "steady"\nseconds = 60\ntarget_w = 200\nsettle_s = 15\nuntil = "decided"'
SPRINT = 'name = "sprint"\nkind = "sprint"\nseconds = 12\ntarget_w = 700\nrepeat = 2\nrest_s = 60'
ZERO = 'name = "zero"\nkind = "zero"\nseconds = 30'
COOL = 'name = "cool"\nkind = "cool-down"\nseconds = 20'

Wish = Callable[[PlanRunner], object]


@dataclass
class Walked:
    """(name, second of start, second of end, ended by) of each segment; what the wishes were answered; all states."""

    segments: list[tuple[str, float, float, str | None]]
    log: FakeLog
    answers: list[object]
    states: list[PlanState]
    ended_s: float

    @property
    def names(self) -> list[str]:
        return [name for name, *_ in self.segments]


def walk(
    plan: Plan,
    wishes: Sequence[tuple[float, Wish]] = (),
    *,
    decided: Callable[[float], bool] = lambda at_s: False,
    attended: Callable[[float], bool] = lambda at_s: False,
    stop_s: float | None = None,
) -> Walked:
    """`wishes` at their second; `decided` and `attended` are given the time."""

    async def main() -> Walked:
        loop = asyncio.get_running_loop()
        log, states, answers = FakeLog(), list[PlanState](), list[object]()
        session = RecordingSession(LoopClock(), log, ["Alder"])
        runner = PlanRunner(
            plan,
            session,
            states.append,
            decided=lambda: decided(loop.time()),
            attended=lambda: attended(loop.time()),
        )

        def fulfil(wish: Wish) -> None:
            answers.append(wish(runner))

        for at_s, wish in wishes:
            loop.call_at(at_s, fulfil, wish)
        walking = asyncio.create_task(runner.run())
        await asyncio.wait({walking}, timeout=stop_s)
        walking.cancel()
        await asyncio.gather(walking, return_exceptions=True)
        segments = segments_from_events(log.rows, session.now_ns)
        found = [(s.name, s.start_ns / 1e9, s.stop_ns / 1e9, s.ended_by) for s in segments]
        return Walked(found, log, answers, states, loop.time())

    return run_virtual(main())


def test_unsteered_steps_follow_each_other_at_absolute_times() -> None:
    walked = walk(plan_of(EASY, SPRINT, COOL))
    assert walked.segments == [
        ("easy", 0.0, 10.0, "plan"),
        ("sprint #1", 10.0, 22.0, "plan"),
        ("sprint #2", 82.0, 94.0, "plan"),
        ("cool", 94.0, 114.0, "plan"),
    ]
    assert [row.detail["segment_no"] for row in walked.log.events(Event.SEGMENT_START)] == [1, 2, 3, 4]
    assert [state.number for state in walked.states] == [0, 1, None, 2, 3]


def test_lateness_of_one_step_does_not_shift_the_next() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        runner = PlanRunner(plan_of(*[EASY.replace("10", "0.7")] * 100), RecordingSession(LoopClock(), FakeLog(), []))
        await runner.run()
        return loop.time()

    assert run_virtual(main()) == pytest.approx(70.0, abs=1e-6)


def test_a_step_that_sets_a_load_marks_its_segment_with_trainer_mode_and_value() -> None:
    held = EASY + '\nresistance = { mode = "target-power", value = 250 }'

    async def marked(trainer: str | None) -> list[object]:
        log = FakeLog()
        await PlanRunner(plan_of(held, COOL), RecordingSession(LoopClock(), log, []), trainer=trainer).run()
        return [row.detail.get("resistance") for row in log.events(Event.SEGMENT_START)]

    wanted = {"trainer": "Cedar", "mode": "target-power", "value": 250.0}
    assert run_virtual(marked("Cedar")) == [wanted, None]
    assert run_virtual(marked(None)) == [None, None]


def test_next_ends_the_present_step_by_hand_and_shifts_what_follows() -> None:
    walked = walk(plan_of(EASY, COOL), [(4.0, PlanRunner.next)])
    assert walked.segments == [("easy", 0.0, 4.0, "hand"), ("cool", 4.0, 24.0, "plan")]


def test_next_in_a_rest_ends_the_rest() -> None:
    walked = walk(plan_of(SPRINT), [(20.0, PlanRunner.next)])
    assert walked.segments == [("sprint #1", 0.0, 12.0, "plan"), ("sprint #2", 20.0, 32.0, "plan")]


def test_next_in_the_last_step_ends_the_plan() -> None:
    walked = walk(plan_of(EASY), [(4.0, PlanRunner.next)])
    assert (walked.answers, walked.ended_s) == (["that was the last step"], 4.0)


def test_skip_leaves_out_the_coming_step_and_says_so_in_a_row() -> None:
    walked = walk(plan_of(EASY, STEADY, COOL), [(4.0, PlanRunner.skip)])
    assert walked.segments == [("easy", 0.0, 10.0, "plan"), ("cool", 10.0, 30.0, "plan")]
    (skipped,) = walked.log.events(Event.STEP_SKIPPED)
    assert skipped.detail == {"step_id": "step-2", "repeat_no": 1}
    assert walked.states[-1].skipped == (1,)
    assert walked.answers == ["skipped: steady"]


def test_a_rest_goes_on_though_the_effort_after_it_is_skipped() -> None:
    walked = walk(plan_of(SPRINT, COOL), [(20.0, PlanRunner.skip)])
    assert walked.segments == [("sprint #1", 0.0, 12.0, "plan"), ("cool", 72.0, 92.0, "plan")]


def test_skipping_all_that_is_left_in_a_rest_ends_the_plan() -> None:
    walked = walk(plan_of(SPRINT), [(20.0, PlanRunner.skip)])
    assert (walked.names, walked.ended_s) == (["sprint #1"], 20.0)


def test_nothing_is_skipped_where_nothing_is_left() -> None:
    walked = walk(plan_of(EASY), [(4.0, PlanRunner.skip)])
    assert (walked.answers, walked.names) == (["nothing is left to skip"], ["easy"])


@pytest.mark.parametrize(
    ("seconds", "end_s"), [(30.0, 40.0), (-3.0, 7.0), (-60.0, 4.0), (1e9, 10.0), (float("nan"), 10.0)]
)
def test_a_step_is_made_longer_or_shorter_but_never_ends_in_the_past(seconds: float, end_s: float) -> None:
    walked = walk(plan_of(EASY, COOL), [(4.0, lambda runner: runner.extend(seconds))])
    assert walked.segments == [("easy", 0.0, end_s, "plan"), ("cool", end_s, end_s + 20.0, "plan")]


def test_repeat_rides_the_present_step_once_more_under_a_number_of_its_own() -> None:
    walked = walk(plan_of(EASY, COOL), [(4.0, PlanRunner.repeat), (5.0, PlanRunner.repeat)])
    assert walked.names == ["easy", "easy #3", "easy #2", "cool"]
    starts = walked.log.events(Event.SEGMENT_START)
    assert [row.detail["segment_no"] for row in starts] == [1, 2, 3, 4]
    assert sorted(row.detail["repeat_no"] for row in starts if row.detail["step_id"] == "step-1") == [1, 2, 3]
    assert walked.states[-1].repeated == (0, 0)
    assert [state.number for state in walked.states if state.turn is not None][-1] == 1


def test_repeat_in_a_rest_rides_the_last_effort_again_and_keeps_both_rests() -> None:
    walked = walk(plan_of(SPRINT), [(20.0, PlanRunner.repeat)])
    assert walked.segments == [
        ("sprint #1", 0.0, 12.0, "plan"),
        ("sprint #3", 72.0, 84.0, "plan"),
        ("sprint #2", 144.0, 156.0, "plan"),
    ]


def test_a_sprint_is_never_repeated_without_a_rest() -> None:
    single = 'name = "sprint"\nkind = "sprint"\nseconds = 12\ntarget_w = 700'
    walked = walk(plan_of(single), [(4.0, PlanRunner.repeat)])
    assert walked.segments[1][1] == 12.0 + SPRINT_REST_S


def test_a_repeat_can_be_taken_back() -> None:
    walked = walk(plan_of(EASY, COOL), [(4.0, PlanRunner.repeat), (5.0, PlanRunner.skip)])
    assert walked.names == ["easy", "cool"]
    assert (walked.states[-1].skipped, walked.states[-1].repeated) == ((), ())


def test_nothing_is_repeated_before_anything_was_ridden() -> None:
    async def main() -> str:
        return PlanRunner(plan_of(EASY), RecordingSession(LoopClock(), FakeLog(), [])).repeat()

    assert run_virtual(main()) == "nothing was ridden yet"


def test_decided_ends_a_step_after_settling_and_is_asked_every_two_seconds() -> None:
    asked: list[float] = []

    def decided(at_s: float) -> bool:
        asked.append(at_s)
        return at_s >= 20.0

    walked = walk(plan_of(STEADY, COOL), decided=decided)
    assert asked == [15.0, 17.0, 19.0, 21.0]
    assert walked.segments == [("steady", 0.0, 21.0, "decided"), ("cool", 21.0, 41.0, "plan")]


def test_an_undecided_step_ends_at_its_time() -> None:
    assert walk(plan_of(STEADY)).segments == [("steady", 0.0, 60.0, "plan")]


def test_steps_that_do_not_ask_are_not_ended_by_a_verdict() -> None:
    assert walk(plan_of(EASY), decided=lambda at_s: True).segments == [("easy", 0.0, 10.0, "plan")]


def test_a_zero_step_waits_for_the_zero_offsets_where_somebody_is_there() -> None:
    walked = walk(plan_of(ZERO, COOL), [(75.0, PlanRunner.zeroed)], attended=lambda at_s: True)
    assert walked.segments == [("zero", 0.0, 75.0, "plan"), ("cool", 75.0, 95.0, "plan")]


def test_a_zero_step_ends_as_soon_as_every_meter_has_its_zero_offset() -> None:
    assert walk(plan_of(ZERO), [(12.0, PlanRunner.zeroed)]).ended_s == 12.0


def test_a_zero_step_that_nobody_attends_ends_at_its_time() -> None:
    assert walk(plan_of(ZERO, COOL)).segments == [("zero", 0.0, 30.0, "plan"), ("cool", 30.0, 50.0, "plan")]


def test_a_zero_step_ends_by_hand_or_when_everybody_has_left() -> None:
    by_hand = walk(plan_of(ZERO, COOL), [(50.0, PlanRunner.next)], attended=lambda at_s: True)
    assert by_hand.segments == [("zero", 0.0, 50.0, "hand"), ("cool", 50.0, 70.0, "plan")]
    left = walk(plan_of(ZERO, COOL), attended=lambda at_s: at_s < 45.0)
    assert left.segments == [("zero", 0.0, 46.0, "plan"), ("cool", 46.0, 66.0, "plan")]


def test_zero_offsets_asked_for_elsewhere_end_no_other_step() -> None:
    assert walk(plan_of(EASY), [(4.0, PlanRunner.zeroed)]).ended_s == 10.0


def test_stopping_closes_the_open_segment() -> None:
    assert walk(plan_of(EASY), stop_s=4.0).segments == [("easy", 0.0, 4.0, "stop")]


def test_a_hand_marks_segments_where_there_is_no_plan() -> None:
    async def main() -> tuple[list[str], FakeLog]:
        log = FakeLog()
        marks = SegmentMarks(RecordingSession(LoopClock(), log, []))
        said = []
        for text in ("", "", "on the road", ""):
            said.append(marks.toggle_by_hand(text))
            await asyncio.sleep(5.0)
        marks.close("stop")
        return said, log

    said, log = run_virtual(main())
    assert said == ["segment 1 begun", "segment 1 ended", "segment 2 begun", "segment 2 ended"]
    segments = segments_from_events(log.rows, 0)
    assert [(s.segment_no, s.name, s.start_ns / 1e9, s.stop_ns / 1e9, s.ended_by) for s in segments] == [
        (1, "segment 1", 0.0, 5.0, "hand"),
        (2, "on the road", 10.0, 15.0, "hand"),
    ]


# -- the plan that is built in ---------------------------------------------------------------------------------


def default_plan() -> Plan:
    path = Path(__file__).resolve().parents[1] / "recorder" / "default_plan.toml"
    return parse_plan(path.read_bytes(), path.name)


def test_the_default_plan_warms_up_zeroes_first_and_last_and_covers_torque_and_cadence() -> None:
    plan = default_plan()
    kinds = [step.kind for step in plan.step]
    assert kinds[0] == "warm-up"
    assert kinds.count("zero") == 2
    assert set(kinds) >= {"steady", "over-under", "sprint", "sway", "cool-down"}
    assert kinds.index("zero") < kinds.index("steady")
    last_zero = len(kinds) - 1 - kinds[::-1].index("zero")
    assert last_zero > max(kinds.index(kind) for kind in ("sprint", "sway", "over-under"))
    steady = [(s.target_w, s.cadence_rpm) for s in plan.step if s.kind == "steady"]
    assert len({watts for watts, _ in steady}) >= 3
    assert len({rpm for watts, rpm in steady if watts == 220}) >= 3


def test_the_default_plan_gives_rest_before_every_hard_effort() -> None:
    """Care for the rider, no published source: three minutes before a sprint, one before standing efforts."""
    turns = list(default_plan().turns())
    for before, turn in pairwise(turns):
        easy_s = turn.rest_s or (before.step.seconds if before.step.kind in ("free", "warm-up", "zero") else 0.0)
        if turn.step.kind == "sprint":
            assert easy_s >= 180.0, turn.step.name
        if turn.step.kind == "sway":
            assert easy_s >= 60.0, turn.step.name
