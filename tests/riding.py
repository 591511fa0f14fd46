"""Rides for tests: the simulated air with the real recorder on it, and fakes of all that a recording is given."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from analysis.bench_file import Bench, parse_bench
from analysis.command_line import main as run_program
from analysis.plan_file import Plan, parse_plan
from analysis.rows import Row, RowKind
from recorder.compose import RecordJob, Surroundings, bluetooth_source, record
from recorder.host_clock import SystemClock
from recorder.journal import JournalEncoder
from recorder.recording_run import Summary
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from simulated_sensors.peripheral import SentPacket, SimulatedRadio
from simulated_sensors.simulated_meter import SimulatedMeter
from simulated_sensors.virtual_time import VirtualClock, run_virtual

POWER = bytes.fromhex("0000c800")  # cycling power measurement: no flags, 200 W (Cycling Power Service 1.1, 3.2)

ONE_METER = """
[bench]
name = "Quayside bench"
reference = "Alder"

[drivetrain]
id = "quayside trainer bike"
loss_pct = 2.5

[[meter]]
name = "Alder"
unit = "alder-1"
place = "pedals"
sides = "both"
claim_pct = 1.0
address = "F0:00:00:00:00:01"
"""


def one_meter_bench() -> Bench:
    return parse_bench(ONE_METER.encode())


def plan_of(*steps: str) -> Plan:
    """Each step is the body of a `[[step]]`."""
    return parse_plan(('[plan]\nname = "short"\n' + "".join(f"[[step]]\n{step}\n" for step in steps)).encode())


def payload(number: int) -> bytes:
    """200 W, and the number as wheel revolutions (Cycling Power Service 1.1, 3.2: flag bit 4)."""
    return bytes.fromhex("1000c800") + number.to_bytes(4, "little") + b"\x00\x00"


def number_in(data: bytes) -> int:
    return int.from_bytes(data[4:8], "little")


def journal_header(**changes: Any) -> dict[str, Any]:
    return {
        "schema_major": 1,
        "schema_minor": 0,
        "decoder_version": 1,
        "product_version": "test",
        "session_id": "ride-1",
        "host": "laptop",
        "clock": "fake",
        "utc_anchors": {},
        "bench": one_meter_bench().as_dict(),
        "plan": None,
        "sensors": {},
        **changes,
    }


class Journal:
    """The frames of a ride of `rows` seconds, one notification a second."""

    def __init__(self, rows: int, session_id: str = "ride-1", **changes: Any) -> None:
        self.encoder = JournalEncoder(session_id, journal_header(session_id=session_id, **changes), seed=5)
        self.preamble = self.encoder.preamble()
        self.frames = [self.encoder.payload(n * 1_000_000_000, "Alder", "2a63", payload(n)) for n in range(rows)]

    def event(self, at_s: float, event: str, **detail: Any) -> None:
        self.frames.append(self.encoder.row(Row(round(at_s * 1e9), "event", event=event, detail=detail)))

    def end(self, reason: str = "duration") -> Journal:
        self.frames.append(self.encoder.end({"reason": reason, "finished_ns": 0}))
        return self

    def all_bytes(self) -> bytes:
        return self.preamble + b"".join(self.frames)

    def put(self, folder: Path, name: str = "ride.journal") -> Path:
        path = folder / name
        path.write_bytes(self.all_bytes())
        return path


def exit_status(*words: str) -> int:
    """As the shell would see it; the parser of arguments leaves by an exception."""
    try:
        return run_program(list(words))
    except SystemExit as left:
        return int(left.code or 0)


# -- the real recorder in simulated air ------------------------------------------------------------------------


@dataclass(frozen=True)
class Ridden:
    """What came of a ride that began together with the recording, and what the sensors had sent, by loop time."""

    summary: Summary
    sent: Mapping[str, Sequence[SentPacket]]
    sent_count: Mapping[str, int]
    unsent_count: Mapping[str, int]
    began_s: float
    words: Sequence[str]

    @property
    def path(self) -> Path:
        assert self.summary.recording is not None
        return self.summary.recording

    @cached_property
    def rows(self) -> list[dict[str, Any]]:
        return table_of(self.path)


def table_of(path: Path) -> list[dict[str, Any]]:
    """Every row that the recording itself has, undecoded."""
    columns = ["host_ns", "row_kind", "sensor", "characteristic", "payload", "event", "detail"]
    rows: list[dict[str, Any]] = pq.read_table(path, columns=columns).to_pylist()
    return rows


def ride_and_record(
    folder: Path,
    sensors: Sequence[SimulatedMeter],
    bench: Bench,
    plan: Plan | None = None,
    *,
    speed: float | None = None,
    seed: int = 1,
    duration_s: float | None = None,
    lead_in_s: float = 0.0,
    continues: str | None = None,
) -> Ridden:
    """As the demo does it, with its insides open to view."""
    words: list[str] = []
    job = RecordJob(bench, folder, plan, duration_s, lead_in_s, needed_bytes=0, continues=continues)

    async def main() -> Ridden:
        loop = asyncio.get_running_loop()
        clock = VirtualClock(loop, SystemClock().utc_ns())
        async with SimulatedRadio(sensors, seed=seed, keep_log=True) as radio:
            source = bluetooth_source(bench, clock, radio.backend, seed=seed)
            radio.begin_ride()
            began_s = loop.time()
            around = Surroundings(clock, SystemStorage(), source, words.append)
            summary = await record(job, around)
            await radio.stop()
            names = [sensor.name for sensor in sensors]
            return Ridden(
                summary,
                sent={name: tuple(radio.sent_log(name)) for name in names},
                sent_count={name: radio.sent(name) for name in names},
                unsent_count={name: radio.unsent(name) for name in names},
                began_s=began_s,
                words=words,
            )

    return run_virtual(main(), speed=speed)


# -- fakes -----------------------------------------------------------------------------------------------------


@dataclass
class FakeLog:
    """A `recorder.recording_session.RowLog` that keeps all it is given."""

    rows: list[Row] = field(default_factory=list)
    metadata: list[Mapping[str, Any]] = field(default_factory=list)

    def append_payload(
        self, host_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind
    ) -> None:
        self.rows.append(Row(host_ns, row_kind, sensor, characteristic, payload))

    def append_row(self, row: Row) -> None:
        self.rows.append(row)

    def append_metadata(self, update: Mapping[str, Any]) -> None:
        self.metadata.append(update)

    def written(self) -> int:
        return len(self.rows)

    def safe(self) -> int:
        return len(self.rows)

    def events(self, name: str) -> list[Row]:
        return [row for row in self.rows if row.event == name]

    @property
    def payload_rows(self) -> list[Row]:
        return [row for row in self.rows if row.row_kind != "event"]


Play = Callable[[RecordSink], Awaitable[None]]


async def silence(_sink: RecordSink) -> None:
    await asyncio.Event().wait()


@dataclass
class FakeSource:
    """Each start plays the next piece, the last one again and again."""

    plays: Sequence[Play] = (silence,)
    on_close: Callable[[], Awaitable[None]] | None = None
    present: frozenset[str] = frozenset()
    starts: int = 0

    async def check(self) -> None:
        return

    async def run(self, sink: RecordSink) -> None:
        self.starts += 1
        await self.plays[min(self.starts, len(self.plays)) - 1](sink)

    async def close(self) -> None:
        if self.on_close is not None:
            await self.on_close()

    def live(self) -> frozenset[str]:
        return self.present


class LoopClock:
    """The loop's time, with a suspend or a stroke of standing still whenever the test says so."""

    name = "fake"

    def __init__(self, utc_start_ns: int = 1_764_000_000_000_000_000) -> None:
        self.ahead_ns = 0
        self.asleep_ns = 0
        self._loop = asyncio.get_running_loop()
        self._utc_start_ns = utc_start_ns

    def stand_still(self, seconds: float) -> None:
        """The loop was kept from running: both clocks went on."""
        self.ahead_ns += round(seconds * 1e9)

    def sleep(self, seconds: float) -> None:
        self.ahead_ns += round(seconds * 1e9)
        self.asleep_ns += round(seconds * 1e9)

    def now_ns(self) -> int:
        return round(self._loop.time() * 1e9) + self.ahead_ns

    def awake_ns(self) -> int:
        return self.now_ns() - self.asleep_ns

    def utc_ns(self) -> int:
        return self._utc_start_ns + self.now_ns()
