"""What one notification costs from the callback to the journal, against a bare write and what a user would script.

`python -m tests.benchmarks.recording` measures CPU time twice: back to back, with warm caches, and after a pause, as
in a ride, with the ways taking turns. All figures are medians over the runs, as ratios to the bare write.
"""

from __future__ import annotations

import asyncio
import csv
import json
import os
import random
import statistics
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path

from recorder.host_clock import SystemClock, process_cpu_ns
from recorder.journal import JournalEncoder
from recorder.journal_file import JournalFile
from recorder.journal_log import JournalLog
from recorder.live_readings import LiveReadings
from recorder.recording_session import RecordingSession
from recorder.storage import SystemStorage

RUNS = 7
BACK_TO_BACK = 20_000
BETWEEN_SYNCS = 500
AFTER_A_PAUSE = 2_000
PAUSE_S = 0.0005
SENSORS = tuple(f"meter {n}" for n in range(8))
PAYLOAD = bytes(range(18))

# As `recorder.source.RecordSink.received`: clock_ns, sensor, characteristic, payload.
Received = Callable[[int, str, str, bytes], None]


@dataclass(frozen=True)
class Way:
    """One way of recording; `forget` gives back what it kept in memory, as a sync does."""

    name: str
    received: Received
    forget: Callable[[], None]


def nothing(folder: Path) -> Way:
    return Way("nothing (anchor)", lambda clock_ns, sensor, characteristic, payload: None, lambda: None)


def bare_write(folder: Path) -> Way:
    """The same number of bytes as the journal's frame, without making it."""
    encoder = JournalEncoder("benchmark", {}, seed=1)
    encoder.payload(1, SENSORS[0], "2a63", PAYLOAD)
    frame = encoder.payload(2, SENSORS[0], "2a63", PAYLOAD)
    fd = SystemStorage().open_new(folder / "bare")

    def received(clock_ns: int, sensor: str, characteristic: str, payload: bytes) -> None:
        os.write(fd, frame)

    return Way("bare os.write", received, lambda: None)


def journal(folder: Path) -> Way:
    encoder = JournalEncoder("benchmark", {}, seed=1)
    clock = SystemClock()
    file = JournalFile(SystemStorage(), folder, "ride", encoder, clock.now_ns, lambda words, detail: None)
    start_ns = clock.now_ns()

    def received(clock_ns: int, sensor: str, characteristic: str, payload: bytes) -> None:
        file.append(encoder.payload(clock_ns - start_ns, sensor, characteristic, payload))

    return Way("journal", received, lambda: asyncio.run(file.sync()))


def whole_session(folder: Path) -> Way:
    """What the radio's callback really calls: journal, then counting, decoding and the latest readings."""
    encoder = JournalEncoder("benchmark", {}, seed=1)
    clock = SystemClock()
    file = JournalFile(SystemStorage(), folder, "ride", encoder, clock.now_ns, lambda words, detail: None)
    session = RecordingSession(clock, JournalLog(encoder, file), SENSORS, (LiveReadings(),))
    return Way("session with decoding", session.received, lambda: asyncio.run(file.sync()))


def turning(rounds: int = 4_000) -> list[tuple[int, bytes]]:
    """Clock and payload of a ride at 90 rpm, each sensor 4 times a second: watts and crank data, 8 bytes."""
    packets = []
    for tick in range(rounds):
        revolutions = tick * 3 // 8
        body = b"\x20\x00\xc8\x00" + struct.pack("<HH", revolutions % 65536, revolutions * 2048 // 3 % 65536)
        packets += [(tick * 250_000_000, body)] * len(SENSORS)
    return packets


def session_with_cadence(folder: Path) -> Way:
    """The same with payloads from which a cadence follows, as most meters send them."""
    way = whole_session(folder)
    packets = cycle(turning())

    def received(clock_ns: int, sensor: str, characteristic: str, payload: bytes) -> None:
        at_ns, body = next(packets)
        way.received(at_ns, sensor, characteristic, body)

    return Way("session with cadence", received, way.forget)


def csv_script(folder: Path) -> Way:
    file = (folder / "ride.csv").open("w", newline="")
    writer = csv.writer(file)

    def received(clock_ns: int, sensor: str, characteristic: str, payload: bytes) -> None:
        writer.writerow((clock_ns, sensor, characteristic, payload.hex()))
        file.flush()

    return Way("csv.writer + flush", received, lambda: None)


def json_lines(folder: Path) -> Way:
    file = (folder / "ride.jsonl").open("w")

    def received(clock_ns: int, sensor: str, characteristic: str, payload: bytes) -> None:
        row = {"t": clock_ns, "sensor": sensor, "characteristic": characteristic, "payload": payload.hex()}
        file.write(json.dumps(row) + "\n")
        file.flush()

    return Way("JSON lines + flush", received, lambda: None)


WAYS: tuple[Callable[[Path], Way], ...] = (
    nothing,
    bare_write,
    journal,
    whole_session,
    session_with_cadence,
    csv_script,
    json_lines,
)


def back_to_back_ns(way: Way) -> float:
    received = way.received
    cost_ns = 0
    for _ in range(BACK_TO_BACK // BETWEEN_SYNCS):
        began_ns = process_cpu_ns()
        for n in range(BETWEEN_SYNCS):
            received(n, SENSORS[n % 8], "2a63", PAYLOAD)
        cost_ns += process_cpu_ns() - began_ns
        way.forget()
    return cost_ns / BACK_TO_BACK


def after_a_pause_ns(ways: list[Way], turns: random.Random) -> list[float]:
    """Median cost of one notification that finds the caches cold; the ways take turns in random order."""
    costs_ns: list[list[int]] = [[] for _ in ways]
    order = list(range(len(ways)))
    for n in range(AFTER_A_PAUSE):
        turns.shuffle(order)
        for place in order:
            received = ways[place].received
            time.sleep(PAUSE_S)
            began_ns = process_cpu_ns()
            received(n, SENSORS[n % 8], "2a63", PAYLOAD)
            costs_ns[place].append(process_cpu_ns() - began_ns)
    for way in ways:
        way.forget()
    return [statistics.median(costs) for costs in costs_ns]


def table(title: str, names: list[str], runs: list[list[float]]) -> str:
    """`runs` holds the cost of each way in each run; the first way is the empty anchor, the second the unit."""
    lines = [f"\n{title}", f"{'way':22} {'ns':>8} ratio to a bare os.write: median (least, greatest)"]
    ratios = [[(cost - run[0]) / (run[1] - run[0]) for cost in run] for run in runs]
    for place, name in enumerate(names):
        of_way = [run[place] for run in ratios]
        cost_ns = statistics.median(run[place] for run in runs)
        ratio = f"{statistics.median(of_way):.2f} ({min(of_way):.2f}, {max(of_way):.2f})"
        lines.append(f"{name:22} {cost_ns:8.0f} {ratio}")
    return "\n".join(lines) + "\n"


def main(makers: tuple[Callable[[Path], Way], ...] = WAYS) -> None:
    with tempfile.TemporaryDirectory() as folder:
        ways = []
        for number, make in enumerate(makers):
            own = Path(folder) / str(number)
            own.mkdir()
            ways.append(make(own))
        names = [way.name for way in ways]
        warm = [[back_to_back_ns(way) for way in ways] for _ in range(RUNS + 1)][1:]
        sys.stdout.write(table(f"back to back, {RUNS} runs of {BACK_TO_BACK}", names, warm))
        turns = random.Random(1)
        cold = [after_a_pause_ns(ways, turns) for _ in range(RUNS)]
        sys.stdout.write(table(f"after a pause, {RUNS} runs of {AFTER_A_PAUSE} in turn", names, cold))


if __name__ == "__main__":
    main()
