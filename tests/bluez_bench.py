"""Serves a fake Bluetooth service on a private bus, records from it by the real library, compares with the truth."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from analysis.rows import RowKind
from recorder.bluetooth_source import BluetoothSource, SensorTarget, Timings
from recorder.source import Identity

FAKE = Path(__file__).resolve().parents[1].parent / "shared" / "bluez" / "fake_bluez.py"
BUS = "DBUS_SYSTEM_BUS_ADDRESS"

needs_fake_bluez = [
    pytest.mark.skipif(
        not FAKE.exists(), reason="the fake Bluetooth service lies beside the project and is not here"
    ),
    pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed"),
    pytest.mark.skipif(sys.platform != "linux", reason="a Linux Bluetooth service"),
]


class MonotonicClock:
    """The clock of the truth log."""

    name = "CLOCK_MONOTONIC"

    def now_ns(self) -> int:
        return time.monotonic_ns()

    def awake_ns(self) -> int:
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()


@dataclass(frozen=True)
class Received:
    clock_ns: int
    sensor: str
    characteristic: str
    payload: bytes
    row_kind: RowKind


@dataclass(frozen=True)
class Happened:
    clock_ns: int
    event: str
    sensor: str | None
    detail: dict[str, Any]


@dataclass
class ListSink:
    rows: list[Received] = field(default_factory=list)
    events: list[Happened] = field(default_factory=list)
    identities: dict[str, Identity] = field(default_factory=dict)

    def received(
        self, clock_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind = "notification"
    ) -> None:
        self.rows.append(Received(clock_ns, sensor, characteristic, payload, row_kind))

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        json.dumps(detail)
        self.events.append(Happened(time.monotonic_ns(), event, sensor, detail))

    def identified(self, sensor: str, identity: Identity) -> None:
        self.identities[sensor] = identity

    def of(self, event: str, sensor: str | None = None) -> list[Happened]:
        return [h for h in self.events if h.event == event and (sensor is None or h.sensor == sensor)]


@dataclass
class FakeBluez:
    """One fake service in its own process; `stop` first, then look at `truth`."""

    process: asyncio.subprocess.Process
    truth_path: Path
    lines: list[str]

    async def stop(self) -> None:
        if self.process.returncode is None:
            self.process.send_signal(signal.SIGINT)
            try:
                async with asyncio.timeout(5):
                    await self.process.wait()
            except TimeoutError:
                self.process.kill()
                await self.process.wait()

    def kill_bus(self) -> None:
        """The bus is the only child process of the fake service."""
        (child,) = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        os.kill(int(child), signal.SIGKILL)

    def truth(self, kind: str | None = None) -> list[dict[str, Any]]:
        rows = [json.loads(line) for line in self.truth_path.read_text().splitlines() if line.strip()]
        return [r for r in rows if kind is None or r["kind"] == kind]

    async def compare(self, sink: ListSink) -> dict[str, dict[str, Any]]:
        """Per `sensor/characteristic`: sent, received, lost, extra, late, ... as the fake's own comparison counts."""
        path = self.truth_path.with_suffix(".received.jsonl")
        rows = [
            {"sensor": r.sensor, "uuid": r.characteristic, "t_ns": r.clock_ns, "hex": r.payload.hex()}
            for r in sink.rows
            if r.row_kind in ("notification", "indication")
        ]
        path.write_text("".join(json.dumps(r) + "\n" for r in rows))
        checking = await asyncio.create_subprocess_exec(
            sys.executable, str(FAKE), "--check", str(self.truth_path), str(path), stdout=asyncio.subprocess.PIPE
        )
        out, _ = await checking.communicate()
        sensors: dict[str, dict[str, Any]] = json.loads(out)["sensors"]
        return sensors


@contextlib.asynccontextmanager
async def fake_bluez(
    folder: Path, scenario: str, program: tuple[str, ...] = (str(FAKE),)
) -> AsyncIterator[FakeBluez]:
    """Serves `scenario` (TOML); this process talks to it until the end of the block."""
    path, truth = folder / "scenario.toml", folder / "truth.jsonl"
    path.write_text(scenario)
    process = await asyncio.create_subprocess_exec(
        sys.executable, *program, "--scenario", str(path), "--truth", str(truth), stdout=asyncio.subprocess.PIPE
    )
    fake = FakeBluez(process, truth, [])
    assert process.stdout is not None
    before = os.environ.get(BUS)
    try:
        while not any(line.startswith("READY") for line in fake.lines):
            line = await process.stdout.readline()
            assert line, "the fake service did not start"
            fake.lines.append(line.decode().strip())
        os.environ[BUS] = fake.lines[0].split("=", 1)[1]
        yield fake
    finally:
        if before is None:
            os.environ.pop(BUS, None)
        else:
            os.environ[BUS] = before
        await fake.stop()


@contextlib.asynccontextmanager
async def recording(
    targets: Iterable[SensorTarget], timings: Timings | None = None
) -> AsyncIterator[tuple[BluetoothSource, ListSink]]:
    source, sink = BluetoothSource(targets, MonotonicClock(), timings=timings, seed=1), ListSink()
    running = asyncio.ensure_future(source.run(sink))
    try:
        yield source, sink
        assert not running.done(), "the source ended by itself"
    finally:
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
        await source.close()
        assert source.callback_faults == 0


async def until(condition: Callable[[], object], seconds: float = 15.0) -> None:
    """Real time: another process decides when it comes true."""
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.02)


def sensor(name: str, number: int, body: str = "", services: str = '"1818", "180A", "180F"') -> str:
    """A [[sensor]] table; its bench name is its id."""
    return f"""
[[sensor]]
id = "{name}"
address = "C0:5A:00:00:00:{number:02X}"
name = "{name.upper()} {number:04d}"
services = [{services}]
serial = "{number:04d}"
rate_hz = 8.0
{body}
"""


def target(name: str, number: int, **more: Any) -> SensorTarget:
    return SensorTarget(name, address=f"C0:5A:00:00:00:{number:02X}", **more)


QUICK_ADAPTER = """
[adapter]
connect_latency_s = 0.05
discovery_latency_s = 0.05
disconnect_latency_s = 0.1
adv_interval_s = 0.1
"""


def ride(start: str = "all_subscribed", adapter: str = "") -> str:
    return f"""{QUICK_ADAPTER}{adapter}
[ride]
start = "{start}"
start_delay_s = 0.1
after = "hold"
[[ride.power]]
shape = "constant"
watts = 200
s = 60
"""
