"""Steps that end once the evidence suffices, on rides of the simulated bench in virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.bench_file import parse_bench
from analysis.recording_reader import read_recording
from analysis.rows import Event, Row
from analysis.segments import Segment
from recorder.live_decision import LiveDecision
from recorder.recording_session import RecordingSession
from simulated_sensors.demo import ride_of
from simulated_sensors.quayside import ALDER, BIRCH
from simulated_sensors.sensor_spec import SensorSpec
from simulated_sensors.simulated_meter import SimulatedMeter
from simulated_sensors.virtual_time import run_virtual
from tests.riding import FakeLog, LoopClock, one_meter_bench, plan_of, ride_and_record

STEP_S = 600.0
PLAN = plan_of(
    f'name = "steady"\nkind = "steady"\nseconds = {STEP_S:g}\ntarget_w = 200\nsettle_s = 15\nuntil = "decided"'
)
TWO = parse_bench(
    b'[bench]\nname = "two"\nreference = "Alder"\n'
    b'[[meter]]\nname = "Alder"\nplace = "pedals"\nclaim_pct = 1.0\naddress = "F0:00:00:00:00:01"\n'
    b'[[meter]]\nname = "Birch"\nplace = "spider"\nclaim_pct = 1.5\naddress = "F0:00:00:00:00:02"\n'
)
TOLERANCE_PCT = (1.0**2 + 1.5**2) ** 0.5  # DESIGN: both claims, the same side of the chain


def meter_off_by(spec: SensorSpec, scale_pct: float) -> SensorSpec:
    return replace(spec, model=replace(spec.model, scale_pct=scale_pct))


def ridden(folder: Path, error_pct: float, seed: int = 1) -> tuple[Segment, Sequence[Row]]:
    """The step as it was ridden, where the second meter is off by so much."""
    ride = ride_of(PLAN, seed)
    specs = [meter_off_by(ALDER, 0.0), meter_off_by(BIRCH, error_pct)]
    sensors = [SimulatedMeter(spec, ride, seed) for spec in specs]
    path = ride_and_record(folder, sensors, TWO, PLAN, seed=seed, lead_in_s=20.0).path
    recording = read_recording(path)
    (segment,) = recording.segments
    return segment, recording.events


@pytest.mark.parametrize("error_pct", [0.0, 3 * TOLERANCE_PCT], ids=["good", "bad"])
def test_a_step_ends_early_on_a_clear_case(tmp_path: Path, error_pct: float) -> None:
    segment, events = ridden(tmp_path, error_pct)
    assert segment.ended_by == "decided"
    assert (segment.stop_ns - segment.start_ns) / 1e9 < STEP_S
    adopted = [row.detail["meter"] for row in events if row.event == Event.LAG_ADOPTED]
    assert len(adopted) == len(set(adopted))


def test_a_step_runs_to_its_end_on_a_meter_at_the_edge(tmp_path: Path) -> None:
    segment, _ = ridden(tmp_path, TOLERANCE_PCT)
    assert segment.ended_by == "plan"
    assert (segment.stop_ns - segment.start_ns) / 1e9 == pytest.approx(STEP_S, abs=1e-6)


def test_a_fault_of_a_statistic_is_noted_once_and_the_step_takes_its_time() -> None:
    async def main() -> tuple[FakeLog, LiveDecision]:
        def broken() -> str | None:
            raise ValueError("a fault of ours")

        log = FakeLog()
        decision = LiveDecision(one_meter_bench(), broken, lambda: True)
        looking = asyncio.create_task(decision.run(RecordingSession(LoopClock(), log, []), lambda: True))
        await asyncio.sleep(10.5)
        looking.cancel()
        return log, decision

    log, decision = run_virtual(main())
    assert (decision.faults, decision.decided()) == (5, False)
    (note,) = log.events(Event.NOTE)
    assert "ValueError: a fault of ours" in note.detail["text"]


def test_nothing_is_decided_before_anything_is_known() -> None:
    decision = LiveDecision(one_meter_bench(), lambda: None, lambda: True)
    assert not decision.decided()
    decision(Row(0, "event", event=Event.SEGMENT_START, detail={"segment_no": 1}), {})
    assert not decision.decided()
