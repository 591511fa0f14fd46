"""Eight sensors at 4 Hz for hours, with every fault of the radio at random, in compressed time: all is accounted for.

`python -m tests.faults.soak [--hours 3] [--seed 1]` prints the account of every sensor and what the recorder held on
to every ten minutes. Row 42 of the fault matrix.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import itertools
import os
import struct
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from analysis.bench_file import Bench, parse_bench
from analysis.judge import Judged, judge_recording
from analysis.plan_file import Plan, parse_plan
from analysis.recording_reader import read_recording
from analysis.rows import Row
from recorder.compose import RecordJob, Surroundings, bluetooth_source, record
from recorder.recording_run import Summary
from recorder.storage import SystemStorage
from simulated_sensors.demo import ride_of
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.quayside import workshop_sensors
from simulated_sensors.sensor import Answer, LinkChange, Packet, Refusal
from simulated_sensors.simulated_meter import SimulatedMeter
from simulated_sensors.virtual_time import VirtualClock, run_virtual
from tests.faults.account import Account, Due, account, rows_in_file
from tests.faults.soak_faults import BLOCK_S, Trouble, draw_troubles, provoke
from tests.faults.troubled_radio import TroubledRadio

SENSORS = 8
STEP_S = 300
LEAD_IN_S = 20.0
BETWEEN_SYNCS_S = 0.5  # the journal is synced at whole seconds, by a task of its own
UTC_START_NS = 1_764_000_000_000_000_000
_LINE = struct.Struct("<dB4sB")


class TruthFile:
    """What was due, on disk, since in memory it would hide what the recorder itself keeps."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: BinaryIO = path.open("wb")

    def write(self, at_s: float, sensor: int, characteristic: str, payload: bytes, copy: bool = False) -> None:
        number = sensor | (0x80 if copy else 0)
        self._file.write(_LINE.pack(at_s, number, characteristic.encode(), len(payload)) + payload)

    def close(self) -> None:
        self._file.close()

    def read(self, start_ns: int, end_ns: int) -> Iterator[tuple[int, Due]]:
        """Sensor and what it owed between these times, counted from the first."""
        data, place = self.path.read_bytes(), 0
        while place < len(data):
            at_s, number, characteristic, length = _LINE.unpack_from(data, place)
            place += _LINE.size + length
            at_ns = round(at_s * 1e9)
            if at_ns < end_ns:
                due = Due(at_ns - start_ns, characteristic.decode(), data[place - length : place], number >= 0x80)
                yield number & 0x7F, due


class LoggedMeter:
    """A simulated meter whose every packet is written down when it is due, whoever hears it."""

    def __init__(self, meter: SimulatedMeter, number: int, truth: TruthFile) -> None:
        self.name, self.address = meter.name, meter.address
        self.service_uuids, self.services = meter.service_uuids, meter.services
        self.began_s = 0.0
        self._meter, self._number, self._truth = meter, number, truth

    def read(self, characteristic: str) -> bytes:
        return self._meter.read(characteristic)

    def write(self, characteristic: str, request: bytes, ride_s: float) -> Answer | Refusal | None:
        return self._meter.write(characteristic, request, ride_s)

    def schedule(self) -> Iterator[Packet | LinkChange]:
        for step in self._meter.schedule():
            if isinstance(step, Packet):
                self._truth.write(self.began_s + step.at_s, self._number, step.characteristic, step.payload)
            yield step


@dataclass(frozen=True)
class Held:
    """What the process held on to at a moment of quiet."""

    minute: float
    rss_mb: float
    tasks: int
    open_files: int
    threads: int
    links: int
    clients: int
    live: int

    @property
    def countable(self) -> tuple[int, ...]:
        return self.tasks, self.open_files, self.threads, self.links, self.clients, self.live


@dataclass(frozen=True)
class Soaked:
    summary: Summary
    accounts: dict[str, Account]
    held: tuple[Held, ...]
    troubles: tuple[Trouble, ...]
    judged: Judged
    connects: int
    words: tuple[str, ...]

    @property
    def growth_mb(self) -> float:
        """From minute 10 to the end."""
        return self.held[-1].rss_mb - self.held[0].rss_mb


def soak(folder: Path, hours: float, seed: int, on_held: Callable[[Held], None] = lambda held: None) -> Soaked:
    plan, bench = _plan(hours), _bench()
    troubles = draw_troubles(seed, hours, SENSORS)
    ride = ride_of(plan, seed, after_plan_s=60.0)
    truth = TruthFile(folder / "truth.bin")
    meters = []
    for number, meter in enumerate(workshop_sensors(ride, SENSORS, seed)):
        own = tuple(t.of_meter for t in troubles if t.sensor == number and t.of_meter is not None)
        meters.append(LoggedMeter(SimulatedMeter(replace(meter.spec, faults=own), ride, seed), number, truth))
    run = _Run(folder, bench, plan, meters, troubles, truth, seed, on_held)
    summary = run_virtual(run.ride())
    truth.close()
    assert summary.recording is not None
    return Soaked(
        summary,
        _accounts(summary.recording, truth, [m.name for m in meters]),
        tuple(run.held),
        tuple(troubles),
        judge_recording(read_recording(summary.recording)),
        run.connects,
        tuple(run.words),
    )


class _Run:
    def __init__(
        self,
        folder: Path,
        bench: Bench,
        plan: Plan,
        meters: list[LoggedMeter],
        troubles: list[Trouble],
        truth: TruthFile,
        seed: int,
        on_held: Callable[[Held], None],
    ) -> None:
        self._job = RecordJob(bench, folder, plan, lead_in_s=LEAD_IN_S, needed_bytes=0)
        self._meters, self._troubles, self._truth, self._seed = meters, troubles, truth, seed
        self._plan_s = sum(step.seconds * step.repeat for step in plan.step)
        self._on_held = on_held
        self.held: list[Held] = []
        self.words: list[str] = []
        self.connects = 0

    async def ride(self) -> Summary:
        loop = asyncio.get_running_loop()
        clock = VirtualClock(loop, UTC_START_NS)
        async with SimulatedRadio(self._meters, seed=self._seed) as radio:
            troubled = TroubledRadio(radio)
            numbers = {meter.address: number for number, meter in enumerate(self._meters)}
            troubled.service.on_copy = lambda address, characteristic, payload: self._truth.write(
                loop.time(), numbers[address], characteristic, payload, copy=True
            )
            source = bluetooth_source(self._job.bench, clock, troubled.backend, seed=self._seed)
            began_s = loop.time()
            for meter in self._meters:
                meter.began_s = began_s
            radio.begin_ride()
            provoking = asyncio.create_task(
                provoke(self._troubles, troubled, [m.address for m in self._meters], began_s)
            )
            looking = asyncio.create_task(self._keep_looking(troubled, began_s, lambda: len(source.live())))
            around = Surroundings(clock, SystemStorage(), source, self.words.append)
            summary = await record(self._job, around)
            for task in (provoking, looking):
                if task.done():
                    await task
                task.cancel()
            self.connects = troubled.service.connect_calls
            return summary

    async def _keep_looking(self, troubled: TroubledRadio, began_s: float, live: Callable[[], int]) -> None:
        loop = asyncio.get_running_loop()
        end_s = began_s + LEAD_IN_S + self._plan_s - 5 + BETWEEN_SYNCS_S
        for block in itertools.count(1):
            at_s = min(began_s + block * BLOCK_S + BETWEEN_SYNCS_S, end_s)
            if at_s - loop.time() < 1:
                return
            await asyncio.sleep(at_s - loop.time())
            gc.collect()
            held = Held(
                (loop.time() - began_s) / 60,
                _rss_mb(),
                len(asyncio.all_tasks()),
                len(list(Path("/proc/self/fd").iterdir())),
                threading.active_count(),
                troubled.links(),
                len(troubled.service.clients),
                live(),
            )
            self.held.append(held)
            self._on_held(held)


def _rss_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def _plan(hours: float) -> Plan:
    steps = max(1, round(hours * 3600 / STEP_S))
    text = '[plan]\nname = "soak"\n' + "".join(
        f'[[step]]\nname = "steady {n + 1}"\nkind = "steady"\nseconds = {STEP_S}\n'
        f"target_w = {160 + 20 * (n % 5)}\ncadence_rpm = {80 + 5 * (n % 4)}\nsettle_s = 10\n"
        for n in range(steps)
    )
    return parse_plan(text.encode())


def _bench() -> Bench:
    places = ("pedals", "spider", "hub", "crank")
    meters = "".join(
        f'[[meter]]\nname = "Bay {n + 1}"\nplace = "{places[n % 4]}"\nclaim_pct = 2.0\n'
        f'address = "F0:00:00:00:01:{n + 1:02X}"\n'
        for n in range(SENSORS)
    )
    return parse_bench(f'[bench]\nname = "soak"\nreference = "Bay 1"\n{meters}'.encode())


def _accounts(path: Path, truth: TruthFile, names: list[str]) -> dict[str, Account]:
    rows: list[Row] = rows_in_file(path)
    start_ns = _start_ns(path)
    due: dict[int, list[Due]] = {number: [] for number in range(len(names))}
    for number, one in truth.read(start_ns, start_ns + rows[-1].host_ns):
        due[number].append(one)
    return {name: account(due[number], rows, name) for number, name in enumerate(names)}


def _start_ns(path: Path) -> int:
    """When the recording began, by the clock of the loop."""
    host_ns, utc_ns = read_recording(path).metadata.utc_anchors[0]
    return utc_ns - UTC_START_NS - host_ns


def table(soaked: Soaked) -> str:
    lines = [f"{'':8} {'due':>8} {'copies':>7} {'rows':>8} {'dropped':>8} {'in marked gaps':>15} {'gaps':>5} rest"]
    for name, a in soaked.accounts.items():
        rest = f"{len(a.unmarked)} unmarked, {len(a.unknown)} unknown"
        lines.append(f"{name:8} {a.due:8d} {a.copies:7d} {a.rows:8d} {a.dropped:8d} {a.lost:15d} {a.gaps:5d} {rest}")
    kinds = Counter(f"{t.row} {t.name}" for t in soaked.troubles)
    lines.append(", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())))
    lines.append(f"{soaked.connects} connections were tried; memory grew by {soaked.growth_mb:.1f} MB")
    return "\n".join(lines) + "\n"


def held_line(held: Held) -> str:
    return (
        f"minute {held.minute:5.0f}: {held.rss_mb:6.1f} MB, {held.tasks} tasks, {held.open_files} open files, "
        f"{held.threads} threads, {held.links} links, {held.clients} clients, {held.live} live\n"
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.soak", description=__doc__)
    parser.add_argument("--hours", type=float, default=3.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()

    def show(held: Held) -> None:
        sys.stdout.write(held_line(held))
        sys.stdout.flush()

    with tempfile.TemporaryDirectory() as folder:
        soaked = soak(Path(folder), options.hours, options.seed, show)
    sys.stdout.write(table(soaked))


if __name__ == "__main__":
    main()
