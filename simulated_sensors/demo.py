"""The whole job on the Quayside bench: five simulated sensors, the real recorder, one file, in compressed time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from analysis.bench_file import Bench, parse_bench
from analysis.plan_file import Plan, Turn, parse_plan
from recorder.compose import RecordJob, Surroundings, record
from recorder.host_clock import HostClock, SystemClock
from recorder.live_readings import LiveReadings
from recorder.plan_runner import PlanState
from recorder.ready import Heard, judge_ready
from recorder.ready_file import Ready
from recorder.ready_visit import VisitOptions, visit
from recorder.ready_words import findings_in_words
from recorder.recording_run import Summary
from recorder.storage import SystemStorage
from simulated_sensors.demo_air import DemoAir, near_air
from simulated_sensors.demo_hand import zeroes_again
from simulated_sensors.quayside import quayside_sensors
from simulated_sensors.ride import Ride
from simulated_sensors.rider import Effort, efforts_from_steps, ride_efforts
from simulated_sensors.sensor import SimulatedSensor
from simulated_sensors.truth import write_truth
from simulated_sensors.virtual_time import VirtualClock, run_virtual

LEAD_IN_S = 20.0
READY_S = 20.0
NEEDED_BYTES = 20_000_000


@dataclass(frozen=True)
class DemoOptions:
    """`speed` times real time at most; `truth` is a path for what the simulation knows and the recorder does not.

    `relay`: two sensors come through `broker`, or through one inside this process.
    """

    out: Path
    speed: float
    seed: int = 1
    truth: Path | None = None
    progress_s: float = 5.0
    control: bool = False
    relay: bool = False
    broker: str | None = None


def packaged(name: str) -> bytes:
    return files("simulated_sensors").joinpath(name).read_bytes()


def quayside_bench() -> Bench:
    return parse_bench(packaged("quayside_bench.toml"), "quayside_bench.toml")


def quayside_plan() -> Plan:
    return parse_plan(packaged("quayside_plan.toml"), "quayside_plan.toml")


def ride_of(plan: Plan, seed: int, after_plan_s: float = 120.0) -> Ride:
    """The rider spins easily for `LEAD_IN_S`, while sensors are reached, then follows the plan."""
    lead_in = Effort(LEAD_IN_S, 100.0, 80.0, kind="lead-in", name="lead-in")
    return ride_efforts([lead_in, *efforts_from_steps(plan.step)], seed=seed, after_plan_s=after_plan_s)


def run_demo(options: DemoOptions, say: Callable[[str], None], progress: Callable[[str], None]) -> Summary:
    """`say` gets words that stay; `progress` a line that may be overwritten by the next.

    :raises RecorderError: where the folder cannot be used.
    :raises BadInput: where the truth cannot be written.
    """
    plan = quayside_plan()
    bench = quayside_bench()
    ride = ride_of(plan, options.seed)
    sensors = quayside_sensors(ride, options.seed)
    if options.truth is not None:
        write_truth(options.truth, ride, sensors)

    async def main() -> Summary:
        clock = VirtualClock(asyncio.get_running_loop(), SystemClock().utc_ns())
        view = _View(bench, say, progress, options.progress_s)
        async with _air(options, bench, sensors, clock, say) as air:
            ready = await _checked(air, clock, say)
            around = Surroundings(
                clock, SystemStorage(), air.source, say, (view.readings,), view.on_plan, (zeroes_again,)
            )
            job = RecordJob(
                air.bench,
                options.out,
                plan,
                lead_in_s=LEAD_IN_S,
                needed_bytes=NEEDED_BYTES,
                ready=ready,
                control=options.control,
            )
            air.begin()
            showing = asyncio.create_task(view.keep_showing())
            try:
                return await record(job, around)
            finally:
                showing.cancel()

    return run_virtual(main(), speed=options.speed)


def _air(
    options: DemoOptions,
    bench: Bench,
    sensors: Sequence[SimulatedSensor],
    clock: HostClock,
    say: Callable[[str], None],
) -> AbstractAsyncContextManager[DemoAir]:
    if not options.relay:
        return near_air(bench, sensors, clock, options.seed)
    from simulated_sensors.demo_relay import relayed_air

    return relayed_air(bench, sensors, clock, options.seed, options.broker, say)


async def _checked(air: DemoAir, clock: HostClock, say: Callable[[str], None]) -> Ready:
    """Before anybody pedals, as zero offsets want it."""

    async def show(instruction: str) -> None:
        say(f"zero offset: {instruction}")

    heard: dict[str, Heard] = {}
    for bench, source in air.to_check:
        heard |= await visit(bench, source, VisitOptions(READY_S, zero=True, prepare=show))
    ready = judge_ready(air.bench, heard, {}, clock.utc_ns(), READY_S)
    say(f"ready check: {findings_in_words(ready)}")
    return ready


class _View:
    """What the demo shows while it runs: the step, and what every stream says."""

    def __init__(
        self, bench: Bench, say: Callable[[str], None], progress: Callable[[str], None], every_s: float
    ) -> None:
        self.readings = LiveReadings()
        self._bench = bench
        self._say = say
        self._progress = progress
        self._every_s = every_s
        self._step = "reaching the sensors"
        self._turn: Turn | None = None

    def on_plan(self, state: PlanState) -> None:
        if state.turn is None:
            self._turn, self._step = None, "rest"
            return
        step = state.turn.step
        if state.turn == self._turn:
            return  # a hand has changed something in it
        self._turn = state.turn
        self._step = step.name
        target = "" if step.target_w is None else f", {step.target_w:g} W"
        posture = "" if step.posture == "seated" else f", {step.posture}"
        self._say(f"{step.name}: {step.seconds:g} s{target}{posture}")

    async def keep_showing(self) -> None:
        loop = asyncio.get_running_loop()
        start_s = loop.time()
        while True:
            await asyncio.sleep(self._every_s)
            minutes, seconds = divmod(int(loop.time() - start_s), 60)
            self._progress(f"{minutes:2d}:{seconds:02d} {self._step[:18]:<18}" + self._values(loop.time() - start_s))

    def _values(self, now_s: float) -> str:
        parts = []
        for meter in self._bench.meter:
            heard_ns = self.readings.host_ns.get(meter.name)
            silent = heard_ns is None or now_s - heard_ns / 1e9 > 4
            value = "silent" if silent else f"{self.readings.power_w.get(meter.name, 0):.0f} W"
            parts.append(f"{meter.name} {value}")
        return "  ".join(parts)
