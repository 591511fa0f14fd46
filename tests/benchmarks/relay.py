"""How many sensors one relay, one broker and one recorder carry, and how late rows come.

`python -m tests.benchmarks.relay` starts a private Mosquitto, a relay and a recorder as processes of their own, sends
at 4 Hz from more and more sensors until one of the two takes half of a core, and prints CPU, lost rows and latency.
The anchor is a bare loop that publishes each notification by itself with the same library. On a machine that others
use as well, `chrt -f 1` in front of it (as root) gives figures that mean something.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from analysis.bench_file import Bench, bench_from_dict
from analysis.rows import Row
from recorder.broker_address import open_broker
from recorder.combined_source import CombinedSource
from recorder.compose import RecordJob, Surroundings, record
from recorder.host_clock import SystemClock, process_cpu_ns
from recorder.mqtt_client import connected
from recorder.mqtt_relay import RelaySource
from recorder.relay_forwarder import RelayForwarder, RelayJob
from recorder.relay_job import BATCH_S
from recorder.relay_messages import Topics
from recorder.relay_places import RelayPlace
from recorder.signals import ending_signals
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from tests.mosquitto_broker import Mosquitto

RATE_HZ = 4
SECONDS = 15.0
SETTLE_S = 3.0
STEPS = (64, 250, 1000, 2000, 4000, 6000, 8000)
PAYLOAD = bytes(range(14))
TOPICS = Topics("benchmark", "pocket")
ROOT = Path(__file__).resolve().parents[2]


def names(count: int) -> list[str]:
    return [f"meter {number}" for number in range(count)]


class ManySensors:
    """A `recorder.source.NotificationSource`: each sensor sends at 4 Hz, evenly spread."""

    def __init__(self, count: int) -> None:
        self._names = names(count)
        self.sent = 0
        self.began_cpu_ns = self.began_ns = 0
        self.ended_cpu_ns = self.ended_ns = 0

    async def check(self) -> None:
        return

    async def run(self, sink: RecordSink) -> None:
        clock, count = SystemClock(), len(self._names)
        started_ns = clock.now_ns()
        first = True
        while (passed_s := (clock.now_ns() - started_ns) / 1e9) < SETTLE_S + SECONDS:
            if first and passed_s > SETTLE_S:
                first, self.began_cpu_ns, self.began_ns = False, process_cpu_ns(), clock.now_ns()
            while self.sent < passed_s * count * RATE_HZ:
                sink.received(clock.now_ns(), self._names[self.sent % count], "2a63", PAYLOAD)
                self.sent += 1
            await asyncio.sleep(0.01)
        self.ended_cpu_ns, self.ended_ns = process_cpu_ns(), clock.now_ns()
        await asyncio.Event().wait()

    async def close(self) -> None:
        return

    def live(self) -> frozenset[str]:
        return frozenset()


def tell(found: Mapping[str, Any]) -> None:
    sys.stdout.write(json.dumps(found) + "\n")


async def relay(url: str, count: int) -> None:
    source = ManySensors(count)
    said: list[str] = []
    forwarder = RelayForwarder(RelayJob(TOPICS, open_broker(url), names(count)), source, SystemClock(), said.append)
    with ending_signals(forwarder.stop):
        ended = await forwarder.run()
    share = (source.ended_cpu_ns - source.began_cpu_ns) / (source.ended_ns - source.began_ns)
    tell({"sent": source.sent, "share": share, "left": ended.left, "lost": ended.lost, "said": said})


def bench_of(count: int) -> Bench:
    sensors = [{"name": name, "kind": "cadence", "match": {"name": name}} for name in names(count)]
    relays = [{"name": "pocket", "session": "benchmark", "sensors": names(count)}]
    return bench_from_dict({"bench": {"name": "benchmark"}, "sensor": sensors, "relay": relays})


async def recorder(url: str, count: int, folder: Path) -> None:
    """Figures are taken between the same two moments of the ride as the relay's, give or take the batch interval."""
    clock, bench = SystemClock(), bench_of(count)
    place = RelayPlace(TOPICS, open_broker(url), tuple(names(count)))
    source = CombinedSource(None, [RelaySource(place, clock)], bench.relayed)
    late_ms: list[float] = []
    marks: list[tuple[int, int]] = []
    first_ns: list[int] = []

    def look(row: Row, _fields: Mapping[str, Any]) -> None:
        if row.row_kind != "relayed" or row.origin_ns is None:
            return
        if not first_ns:
            first_ns.append(row.origin_ns)
        if row.origin_ns - first_ns[0] < SETTLE_S * 1e9:
            return
        now_ns = clock.now_ns()
        late_ms.append((now_ns - row.origin_ns) / 1e6)
        if not marks or now_ns - marks[-1][0] > 5e8:
            marks.append((now_ns, process_cpu_ns()))

    job = RecordJob(bench, folder, needed_bytes=0)
    summary = await record(job, Surroundings(clock, SystemStorage(), source, lambda words: None, [look]))
    rows = pq.read_table(summary.recording, columns=["row_kind"]).column("row_kind").to_pylist().count("relayed")
    share = (marks[-1][1] - marks[0][1]) / (marks[-1][0] - marks[0][0]) if len(marks) > 1 else float("nan")
    p50, p99 = np.percentile(late_ms, [50, 99])
    tell({"rows": rows, "share": share, "p50": p50, "p99": p99})


async def one_by_one(url: str, count: int) -> None:
    """The anchor: each notification a message of its own, with QoS 1, as fast as it goes."""
    async with connected(open_broker(url), "anchor") as connection:
        began_ns = process_cpu_ns()
        for _ in range(count):
            await connection.publish("anchor", PAYLOAD)
        tell({"us": (process_cpu_ns() - began_ns) / count / 1000})


def start(*words: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "tests.benchmarks.relay", *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT)


def result(process: subprocess.Popen[bytes], send: signal.Signals | None = None) -> dict[str, Any]:
    if send is not None:
        process.send_signal(send)
    out, _ = process.communicate(timeout=300)
    found: dict[str, Any] = json.loads(out.splitlines()[-1])
    return found


def measure(count: int) -> tuple[dict[str, Any], dict[str, Any]]:
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder)) as broker:
        recording = start("recorder", broker.url, str(count), folder)
        while not list(Path(folder).glob("*.journal")):
            asyncio.run(asyncio.sleep(0.1))
        asyncio.run(asyncio.sleep(1.0))
        relaying = start("relay", broker.url, str(count))
        asyncio.run(asyncio.sleep(SETTLE_S + SECONDS + 4.0))
        sent = result(relaying, signal.SIGTERM)
        return sent, result(recording, signal.SIGTERM)


def main() -> None:
    say = sys.stdout.write
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder)) as broker:
        anchor_us = result(start("anchor", broker.url, "2000"))["us"]
    say(f"a message for each notification, bare: {anchor_us:.0f} µs CPU to publish\n")
    say(f"batches each {1000 * BATCH_S:.0f} ms, {SECONDS:.0f} s at {RATE_HZ} Hz:\n")
    say("sensors  relay  recorder  relay µs/row  × anchor  recorder µs/row  lost  p50 ms  p99 ms  p99 less 200\n")
    for count in STEPS:
        sent, got = measure(count)
        relay_us, recorder_us = (1e6 * share / count / RATE_HZ for share in (sent["share"], got["share"]))
        say(
            f"{count:7d} {sent['share']:6.1%} {got['share']:9.1%} {relay_us:13.1f} {anchor_us / relay_us:9.0f} "
            f"{recorder_us:16.1f} {sent['sent'] - got['rows']:5d} {got['p50']:7.1f} {got['p99']:7.1f} "
            f"{got['p99'] - 1000 * BATCH_S:19.1f}\n"
        )
        sys.stdout.flush()
        if max(sent["share"], got["share"]) > 0.5:
            break


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["relay", url, count]:
            asyncio.run(relay(url, int(count)))
        case ["recorder", url, count, folder]:
            asyncio.run(recorder(url, int(count), Path(folder)))
        case ["anchor", url, count]:
            asyncio.run(one_by_one(url, int(count)))
        case _:
            main()
