"""A relay and a recorder for tests, each with its own clock, and a network between them that delays and breaks."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import signal
import sys
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from analysis.bench_file import Bench, parse_bench
from analysis.recording_reader import read_metadata
from analysis.rows import Event, Row
from recorder.broker_address import Broker, open_broker
from recorder.combined_source import CombinedSource
from recorder.compose import RecordJob, Surroundings, record
from recorder.host_clock import HostClock, SystemClock
from recorder.mqtt_relay import RelaySource
from recorder.recording_run import Summary
from recorder.relay_forwarder import Forwarded, RelayForwarder, RelayJob
from recorder.relay_messages import Topics
from recorder.relay_places import RelayPlace
from recorder.source import Identity, RecordSink
from recorder.storage import SystemStorage
from tests.riding import number_in, payload

TOPICS = Topics("quayside", "pocket")
RELAYED_BENCH = """
[bench]
name = "Quayside bench"
reference = "Alder"

[[meter]]
name = "Alder"
place = "pedals"
address = "F0:00:00:00:00:01"

[[meter]]
name = "Birch"
place = "spider"
address = "F0:00:00:00:00:02"

[[relay]]
name = "pocket"
session = "quayside"
sensors = ["Birch"]
"""


def relayed_bench() -> Bench:
    return parse_bench(RELAYED_BENCH.encode())


class SkewedClock:
    """This computer's clock as another one would show it: ahead, and running fast."""

    name = "skewed"

    def __init__(self, ahead_s: float = 3.0, drift_ppm: float = 40.0) -> None:
        self._true = SystemClock()
        self._began_ns = self._true.now_ns()
        self._ahead_ns = round(ahead_s * 1e9)
        self._drift = drift_ppm / 1e6

    def of(self, true_ns: int) -> int:
        return true_ns + self._ahead_ns + round((true_ns - self._began_ns) * self._drift)

    def now_ns(self) -> int:
        return self.of(self._true.now_ns())

    def awake_ns(self) -> int:
        return self.now_ns()

    def utc_ns(self) -> int:
        return self._true.utc_ns()


@dataclass
class NumberedSensor:
    """A `recorder.source.NotificationSource` that sends numbered packets, and remembers when by the true clock."""

    clock: HostClock
    sensor: str = "Birch"
    interval_s: float = 0.02
    most: int | None = None
    sent_ns: dict[int, int] = field(default_factory=dict)
    paused: bool = False
    on_sent: Callable[[int, int], None] = lambda number, true_ns: None

    async def check(self) -> None:
        return

    async def run(self, sink: RecordSink) -> None:
        true = SystemClock()
        sink.happened("link_found", self.sensor, attempt=1, rssi_dbm=-60)
        sink.identified(self.sensor, Identity(serial="1187", battery_pct=88))
        while True:
            if not self.paused and (self.most is None or len(self.sent_ns) < self.most):
                number = len(self.sent_ns)
                self.sent_ns[number] = true.now_ns()
                sink.received(self.clock.now_ns(), self.sensor, "2a63", payload(number))
                self.on_sent(number, self.sent_ns[number])
            await asyncio.sleep(self.interval_s)

    async def close(self) -> None:
        return

    def live(self) -> frozenset[str]:
        return frozenset({self.sensor})


@dataclass
class Proxy:
    """Between a client and its broker: holds each piece up for a while, in order, and can be cut."""

    to_port: int
    jitter_s: float = 0.0
    one_way_s: float = 0.0  # for what goes to the broker only
    seed: int = 1
    port: int = 0
    _server: asyncio.Server | None = None
    _pipes: set[asyncio.Task[None]] = field(default_factory=set)
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)
    is_cut: bool = False

    async def start(self) -> None:
        self._random = random.Random(self.seed)
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        tasks = list(self._pipes)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def cut(self) -> None:
        """Every connection breaks, and none can be made."""
        self.is_cut = True
        for writer in self._writers:
            writer.transport.abort()

    def mend(self) -> None:
        self.is_cut = False

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.is_cut:
            writer.transport.abort()
            return
        try:
            there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self.to_port)
        except OSError:
            writer.transport.abort()
            return
        self._writers |= {writer, there_writer}
        for source, target, extra_s in ((reader, there_writer, self.one_way_s), (there_reader, writer, 0.0)):
            task = asyncio.ensure_future(self._pipe(source, target, extra_s))
            self._pipes.add(task)
            task.add_done_callback(self._pipes.discard)

    async def _pipe(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, extra_s: float) -> None:
        """Pieces keep their order, but the next is held up while the last is, so that all delays are as drawn."""
        queue: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()
        loop = asyncio.get_running_loop()

        async def deliver() -> None:
            while True:
                due_s, data = await queue.get()
                await asyncio.sleep(max(0.0, due_s - loop.time()))
                writer.write(data)

        delivering = asyncio.ensure_future(deliver())
        try:
            with contextlib.suppress(OSError):
                while data := await reader.read(65536):
                    queue.put_nowait((loop.time() + extra_s + self._random.uniform(0, self.jitter_s), data))
        finally:
            delivering.cancel()
            writer.transport.abort()


@dataclass
class RecorderSide:
    """A recorder of what relay pocket sends of Birch, and of `own` beside it."""

    folder: Path
    broker: Broker
    own: NumberedSensor | None = None
    words: list[str] = field(default_factory=list)
    arrived: set[int] = field(default_factory=set)
    told: list[dict[str, Any]] = field(default_factory=list)  # of relays
    start_ns: int = 0
    _recording: asyncio.Task[Summary] | None = None

    def record(self) -> None:
        self.folder.mkdir(exist_ok=True)
        true, bench = SystemClock(), relayed_bench()
        place = RelayPlace(TOPICS, self.broker, ("Birch",))
        self.source = CombinedSource(self.own, [RelaySource(place, true)], bench.relayed)
        around = Surroundings(true, SystemStorage(), self.source, self.words.append, [self._look])
        self._recording = asyncio.ensure_future(record(RecordJob(bench, self.folder, needed_bytes=0), around))

    def _look(self, row: Row, _fields: Mapping[str, Any]) -> None:
        if row.row_kind == "relayed" and row.payload is not None:
            self.arrived.add(number_in(row.payload))
        elif row.event == Event.RELAY:
            self.told.append({**row.detail, "at_s": row.host_ns / 1e9})

    @property
    def last(self) -> int:
        """The last packet that is in the journal."""
        return max(self.arrived, default=-1)

    @property
    def recording(self) -> asyncio.Task[Summary]:
        assert self._recording is not None
        return self._recording

    async def told_to_stop(self) -> Summary:
        os.kill(os.getpid(), signal.SIGTERM)
        return await asyncio.wait_for(asyncio.shield(self.recording), 15)

    async def ended(self, last: int) -> list[dict[str, Any]]:
        """Once all to the last packet have arrived, the rows of the finished file."""
        await until(lambda: self.last == last, 30)
        path = (await self.told_to_stop()).recording
        assert path is not None
        rows: list[dict[str, Any]] = pq.read_table(path).to_pylist()
        self.start_ns = start_of(path)
        return rows

    async def stop(self) -> None:
        if self._recording is not None:
            self._recording.cancel()
            await asyncio.gather(self._recording, return_exceptions=True)


@dataclass
class Relayed:
    """A relay with Birch and a recorder of it, in one loop but with nothing in common but the broker."""

    recorder: RecorderSide
    sensor: NumberedSensor
    forwarder: RelayForwarder
    forwarding: asyncio.Task[Forwarded]
    words: list[str]

    @property
    def sent_ns(self) -> dict[int, int]:
        return self.sensor.sent_ns

    @property
    def last(self) -> int:
        return self.recorder.last

    async def ended(self) -> list[dict[str, Any]]:
        self.sensor.paused = True
        return await self.recorder.ended(len(self.sent_ns) - 1)


@asynccontextmanager
async def relayed_ride(
    folder: Path,
    relay_broker: Broker,
    recorder_broker: Broker,
    *,
    clock: SkewedClock | None = None,
    own: NumberedSensor | None = None,
    record_after_s: float | None = 0.0,
) -> AsyncIterator[Relayed]:
    """Both start at once, or the recorder later, or when told to; what still runs at the end is stopped."""
    clock = clock or SkewedClock()
    words: list[str] = []
    sensor = NumberedSensor(clock)
    forwarder = RelayForwarder(RelayJob(TOPICS, relay_broker, ["Birch"], 0.1), sensor, clock, words.append)
    forwarding = asyncio.ensure_future(forwarder.run())
    recorder = RecorderSide(folder, recorder_broker, own)
    if record_after_s is not None:
        await asyncio.sleep(record_after_s)
        recorder.record()
    try:
        yield Relayed(recorder, sensor, forwarder, forwarding, words)
    finally:
        forwarding.cancel()
        await asyncio.gather(forwarding, return_exceptions=True)
        await recorder.stop()


@dataclass
class RelayProcess:
    """`tests.relay_child` at work: another process, perhaps on another machine's network, with another clock."""

    process: asyncio.subprocess.Process
    sent_ns: dict[int, int] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)
    _reading: asyncio.Future[None] = field(default_factory=asyncio.Future)

    @classmethod
    async def start(cls, url: str, *prefix: str, interval_s: float = 0.05) -> RelayProcess:
        process = await asyncio.create_subprocess_exec(
            *prefix,
            sys.executable,
            "-m",
            "tests.relay_child",
            url,
            "3.0",
            "40.0",
            str(interval_s),
            stdout=asyncio.subprocess.PIPE,
            cwd=Path(__file__).resolve().parents[1],
        )
        relay = cls(process)
        relay._reading = asyncio.ensure_future(relay._read())
        return relay

    async def _read(self) -> None:
        assert self.process.stdout is not None
        async for line in self.process.stdout:
            kind, _, rest = line.decode().strip().partition(" ")
            if kind == "sent":
                number, true_ns = map(int, rest.split())
                self.sent_ns[number] = true_ns
            else:
                self.words.append(rest)

    async def pause(self) -> int:
        """The number of its last packet."""
        self.process.send_signal(signal.SIGUSR1)
        await asyncio.sleep(0.3)
        return max(self.sent_ns)

    async def stop(self, number: int = signal.SIGTERM) -> int:
        """Its exit status."""
        if self.process.returncode is None:
            self.process.send_signal(number)
        status = await asyncio.wait_for(self.process.wait(), 20)
        await self._reading
        return status


def start_of(path: Path) -> int:
    """When a recording began, on this computer's clock: its UTC anchors tie it to moments.

    A process that is held up between its two readings errs to one side only, hence the least and the greatest.
    """
    true = SystemClock()
    utc_to_clock_ns = max(true.now_ns() - true.utc_ns() for _ in range(5))
    return utc_to_clock_ns + min(utc_ns - host_ns for host_ns, utc_ns in read_metadata(path).utc_anchors)


def plain_broker(port: int) -> Broker:
    return open_broker(f"mqtt://127.0.0.1:{port}")


async def until(true: Callable[[], object], patience_s: float) -> None:
    """:raises TimeoutError:"""
    async with asyncio.timeout(patience_s):
        while not true():
            await asyncio.sleep(0.02)


def numbers_of(rows: Sequence[dict[str, Any]]) -> list[int]:
    """Of the relayed packets, in the order of the file."""
    return [number_in(row["payload"]) for row in rows if row["row_kind"] == "relayed"]


def events_of(rows: Sequence[dict[str, Any]], event: str) -> list[dict[str, Any]]:
    return [row for row in rows if row["event"] == event]


def assert_each_once(sent_ns: Mapping[int, int], rows: Sequence[dict[str, Any]], first_at_most: int = 3) -> None:
    """From the first that came after the recording had begun."""
    found = numbers_of(rows)
    assert found[0] <= first_at_most
    assert found == list(range(found[0], max(sent_ns) + 1))


def errors_ms(
    sent_ns: Mapping[int, int], rows: Sequence[dict[str, Any]], start_ns: int
) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Of each relayed row's place on the recorder's clock, against when the sensor sent by the true one."""
    relayed = [row for row in rows if row["row_kind"] == "relayed"]
    true_ns = np.array([sent_ns[number_in(row["payload"])] for row in relayed])
    host_ns = np.array([row["host_ns"] for row in relayed])
    errors: np.ndarray[Any, np.dtype[np.float64]] = (host_ns + start_ns - true_ns) / 1e6
    return errors


def bound_ms(rows: Sequence[dict[str, Any]]) -> float:
    """5 ms, or what the recording itself states where the machine was too busy for quick round trips."""
    stated: list[float] = [json.loads(row["detail"])["half_width_ns"] / 1e6 for row in events_of(rows, "relay_clock")]
    return max(5.0, *stated)
