"""The run of a recording on virtual time: when it ends and why, what holds the plan up, what breaks and goes on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from analysis.rows import Event, Row
from recorder.live_readings import Onlooker
from recorder.plan_runner import PlanState
from recorder.recording_run import RecordingRun, RunOptions, RunTools
from recorder.recording_session import RecordingSession
from recorder.source import RecordSink
from simulated_sensors.virtual_time import run_virtual
from tests.riding import POWER, FakeLog, FakeSource, LoopClock, Play, plan_of, silence

TEN_SECONDS = plan_of('name = "easy"\nkind = "free"\nseconds = 10')
NOBODY: Callable[[PlanState], None] = lambda state: None  # noqa: E731 - a default that does nothing


@dataclass
class Outcome:
    reason: str
    log: FakeLog
    source: FakeSource
    session: RecordingSession
    said: list[str] = field(default_factory=list)
    syncs_s: list[float] = field(default_factory=list)
    ended_s: float = 0.0

    def seconds_of(self, event: str) -> list[float]:
        return [row.host_ns / 1e9 for row in self.log.events(event)]


def run(
    options: RunOptions,
    plays: Sequence[Play] = (silence,),
    *,
    present: frozenset[str] = frozenset(),
    meanwhile: Callable[[RecordingRun, LoopClock, FakeSource], Any] | None = None,
    onlookers: Sequence[Onlooker] = (),
    on_plan: Callable[[PlanState], None] = NOBODY,
    sync_fault: Exception | None = None,
    attended: Callable[[], bool] = lambda: False,
) -> Outcome:
    """One run; `meanwhile` is a coroutine function that runs beside it."""

    async def main() -> Outcome:
        loop = asyncio.get_running_loop()
        clock, log, source = LoopClock(), FakeLog(), FakeSource(plays, present=present)
        session = RecordingSession(clock, log, ["Alder"], onlookers)
        outcome = Outcome("", log, source, session)
        faults = [sync_fault] if sync_fault is not None else []

        async def sync() -> None:
            if faults:
                raise faults.pop()
            outcome.syncs_s.append(loop.time())

        tools = RunTools(session, source, sync, outcome.said.append, on_plan, attended=attended)
        ride = RecordingRun(tools, options)
        beside = asyncio.ensure_future(meanwhile(ride, clock, source)) if meanwhile is not None else None
        outcome.reason = await ride.run()
        outcome.ended_s = loop.time()
        if beside is not None:
            await beside
        return outcome

    return run_virtual(main())


def test_duration_ends_a_recording() -> None:
    outcome = run(RunOptions(duration_s=30.0))
    assert (outcome.reason, outcome.ended_s) == ("duration", 30.0)
    (finished,) = outcome.log.events(Event.FINISHED)
    assert finished.detail == {"reason": "duration"}


def test_the_end_of_the_plan_ends_a_recording() -> None:
    outcome = run(RunOptions(TEN_SECONDS))
    assert (outcome.reason, outcome.ended_s) == ("plan", 10.0)
    assert outcome.log.events(Event.SEGMENT_END)[0].detail["ended_by"] == "plan"


def test_duration_cuts_a_plan_off_and_closes_its_segment_before_the_last_word() -> None:
    outcome = run(RunOptions(TEN_SECONDS, duration_s=4.0))
    assert outcome.reason == "duration"
    assert outcome.log.events(Event.SEGMENT_END)[0].detail["ended_by"] == "stop"
    assert outcome.seconds_of(Event.SEGMENT_END) == [4.0]
    assert outcome.log.rows[-1].event == Event.FINISHED


def test_the_plan_waits_for_the_lead_in() -> None:
    assert run(RunOptions(TEN_SECONDS, lead_in_s=20.0)).seconds_of(Event.SEGMENT_START) == [20.0]


def test_the_plan_waits_for_a_missing_meter_and_begins_when_it_comes() -> None:
    async def arrive(_run: RecordingRun, _clock: LoopClock, source: FakeSource) -> None:
        await asyncio.sleep(33.0)
        source.present = frozenset({"Alder"})

    outcome = run(RunOptions(TEN_SECONDS, awaited=frozenset({"Alder"})), meanwhile=arrive)
    assert outcome.seconds_of(Event.SEGMENT_START) == [33.0]
    assert outcome.said == []


def test_patience_ends_and_says_who_is_missing() -> None:
    awaited = frozenset({"Alder", "Birch"})
    outcome = run(RunOptions(TEN_SECONDS, patience_s=60.0, awaited=awaited), present=frozenset({"Alder"}))
    assert outcome.seconds_of(Event.SEGMENT_START) == [60.0]
    assert outcome.said == ["starting without Birch: nothing came in 60 s"]


def test_the_first_reason_counts() -> None:
    async def stop_twice(ride: RecordingRun, _clock: LoopClock, _source: FakeSource) -> None:
        ride.stop("first")
        ride.stop("second")

    assert run(RunOptions(), meanwhile=stop_twice).reason == "first"


def test_a_source_that_fails_is_started_again_and_noted() -> None:
    async def fail(_sink: RecordSink) -> None:
        raise ConnectionError("the radio has gone")

    async def deliver(sink: RecordSink) -> None:
        sink.received(0, "Alder", "2a63", POWER)
        await silence(sink)

    outcome = run(RunOptions(duration_s=10.0), [fail, fail, deliver])
    assert outcome.source.starts == 3
    assert outcome.session.counts["Alder"].rows == 1
    notes = outcome.log.events(Event.NOTE)
    assert [row.host_ns / 1e9 for row in notes] == [0.0, 1.0]
    assert "ConnectionError: the radio has gone" in notes[0].detail["text"]
    assert len(outcome.said) == 2


def test_a_sync_that_fails_is_noted_and_syncs_go_on() -> None:
    outcome = run(RunOptions(duration_s=10.5), sync_fault=RuntimeError("a fault of ours"))
    assert "a fault of ours" in outcome.log.events(Event.NOTE)[0].detail["text"]
    assert outcome.syncs_s == [float(second) for second in range(3, 11)]  # failed at 1, started again at 2


def test_the_journal_is_synced_each_second() -> None:
    outcome = run(RunOptions(duration_s=10.5))
    assert outcome.syncs_s == [float(second) for second in range(1, 11)]


def test_onlookers_and_plan_displays_that_raise_cost_nothing() -> None:
    def broken(row: Row, fields: Mapping[str, Any]) -> None:
        raise RuntimeError("no screen")

    def broken_plan(state: PlanState) -> None:
        raise RuntimeError("no screen")

    outcome = run(RunOptions(TEN_SECONDS), onlookers=[broken], on_plan=broken_plan)
    assert outcome.reason == "plan"
    events = [row.event for row in outcome.log.rows]
    assert events == [Event.SEGMENT_START, Event.SEGMENT_END, Event.NOTE, Event.FINISHED]
    assert outcome.session.onlooker_faults == 5  # four rows, and one step shown
    told = outcome.log.events(Event.NOTE)[0].detail["text"]
    assert told.startswith("3 faults of screens or live figures")
    assert told in outcome.said


def test_a_plan_that_breaks_off_is_told_and_the_recording_goes_on() -> None:
    def broken() -> bool:
        raise RuntimeError("nobody knows")

    zeroing = plan_of('name = "zero"\nkind = "zero"\nseconds = 5')
    outcome = run(RunOptions(zeroing, duration_s=20.0), attended=broken)
    assert (outcome.reason, outcome.ended_s) == ("duration", 20.0)
    (told,) = outcome.said
    assert told.startswith("the plan broke off (RuntimeError: nobody knows)")
    assert outcome.log.events(Event.NOTE)[0].detail["text"] == told
    assert outcome.log.events(Event.SEGMENT_END)[0].detail["ended_by"] == "stop"


def test_standing_still_and_sleeping_are_rows_of_their_own() -> None:
    async def disturb(_run: RecordingRun, clock: LoopClock, _source: FakeSource) -> None:
        await asyncio.sleep(5.1)
        clock.stand_still(1.5)
        await asyncio.sleep(5.0)
        clock.sleep(600.0)

    outcome = run(RunOptions(duration_s=20.0), meanwhile=disturb)
    (still,) = outcome.log.events(Event.HOST_STOOD_STILL)
    (asleep,) = outcome.log.events(Event.SUSPENDED)
    assert still.detail["still_s"] == pytest.approx(1.5, abs=1e-6)
    assert asleep.detail["asleep_s"] == pytest.approx(600.0, abs=1e-6)
    assert asleep.host_ns > 600e9


def test_a_host_that_is_well_leaves_no_such_rows() -> None:
    outcome = run(RunOptions(duration_s=120.0))
    assert [row.event for row in outcome.log.rows] == [Event.FINISHED]


def test_utc_is_anchored_at_the_start_each_minute_and_at_the_end() -> None:
    outcome = run(RunOptions(duration_s=150.0))
    anchors = [int(ns) / 1e9 for update in outcome.log.metadata for ns in update["utc_anchors"]]
    assert anchors == [0.0, 60.0, 120.0, 150.0]
    utc_ns = [ns for update in outcome.log.metadata for ns in update["utc_anchors"].values()]
    assert utc_ns[-1] - utc_ns[0] == 150_000_000_000


def test_rows_after_the_end_are_not_taken() -> None:
    sinks: list[RecordSink] = []

    async def deliver(sink: RecordSink) -> None:
        sinks.append(sink)
        sink.received(0, "Alder", "2a63", POWER)
        await silence(sink)

    outcome = run(RunOptions(duration_s=1.0), [deliver])
    before = list(outcome.log.rows)
    sinks[0].received(0, "Alder", "2a63", POWER)
    sinks[0].happened(Event.LINK_LOST, "Alder", reason="closing")
    assert outcome.log.rows == before
    assert outcome.session.counts["Alder"].rows == 1
