"""Recorder and screens as real processes: whatever becomes of a screen, no row is lost, and who may end it does."""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import signal
import statistics
import struct
import sys
import termios
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from analysis.rows import Event
from recorder.control_client import ControlClient
from recorder.control_place import control_place
from recorder.control_words import Ask, Tell
from recorder.errors import RecorderError
from simulated_sensors.hci_server import serve_hci
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import Answer, Packet
from tests.fake_sensors import FakeSensor
from tests.riding import ONE_METER, number_in, payload, table_of

ROOT = Path(__file__).resolve().parents[1]
RATE_HZ = 50
PATIENCE_S = 60.0

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and sockets of Unix")


@dataclass
class Ride:
    """The process of the screen that started the recording, which records one sensor at 50 Hz."""

    folder: Path
    starter: asyncio.subprocess.Process
    watcher: ControlClient

    async def told(self, wanted: Callable[[Tell], bool]) -> Tell:
        def wait() -> Tell:
            while not self.watcher.closed:
                if (tell := self.watcher.tell) is not None and wanted(tell):
                    return tell
                self.watcher.wait(0.1)
            if (last := self.watcher.tell) is not None and wanted(last):
                return last
            raise AssertionError("the link ended before that was told")

        return await asyncio.wait_for(asyncio.to_thread(wait), PATIENCE_S + 60)

    async def lasts(self, seconds: float) -> Tell:
        """Until the recording is so much longer."""
        now = await self.told(lambda tell: True)
        return await self.told(lambda tell: tell.recorded_s >= now.recorded_s + seconds)

    async def ended(self) -> tuple[int, str, str]:
        """Exit status of the starter, what it printed and what it said."""
        out, err = await asyncio.wait_for(self.starter.communicate(), PATIENCE_S)
        assert self.starter.returncode is not None
        return self.starter.returncode, out.decode(), err.decode()


def packets() -> Iterator[Packet]:
    return (Packet(number / RATE_HZ, "2a63", payload(number)) for number in range(180 * RATE_HZ))


async def program(*words: str) -> asyncio.subprocess.Process:
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(sys.executable, *words, cwd=ROOT, stdout=pipe, stderr=pipe)


Start = Callable[[Path, Sequence[str]], Awaitable[asyncio.subprocess.Process]]


async def start_plainly(rides: Path, words: Sequence[str]) -> asyncio.subprocess.Process:
    return await program("-m", "tests.plain_rider", str(rides), *words, "--json", "--headless", "--control")


@asynccontextmanager
async def riding(folder: Path, start: Start = start_plainly) -> AsyncIterator[Ride]:
    """Once it records; whatever is still running at the end is ended by its own means."""
    bench = folder / "bench.toml"
    bench.write_text(ONE_METER)
    rides = folder / "rides"
    sensor = FakeSensor(steps=packets)
    async with SimulatedRadio([sensor]) as radio, serve_hci(radio, "tcp-server:127.0.0.1:0") as transport:
        radio.begin_ride()
        starter = await start(rides, ["record", str(bench), "--out", str(rides), "--through", transport])
        watcher = await attached(rides, starter)
        ride = Ride(rides, starter, watcher)
        try:
            await ride.told(lambda tell: tell.live == ("Alder",) and tell.owned)
            yield ride
        finally:
            if starter.returncode is None:
                starter.kill()
                await starter.wait()
            await asyncio.to_thread(let_end, watcher)


def let_end(watcher: ControlClient) -> None:
    for _ in range(50):
        if watcher.closed:
            break
        watcher.ask(Ask("finish"))
        watcher.wait(0.2)
    watcher.close()


async def attached(folder: Path, starter: asyncio.subprocess.Process) -> ControlClient:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            assert starter.returncode is None, await starter.communicate()
            try:
                return await asyncio.to_thread(ControlClient.connect, folder)
            except RecorderError:
                await asyncio.sleep(0.05)


def rows_of(folder: Path) -> list[dict[str, Any]]:
    (recording,) = folder.glob("*.parquet")
    return table_of(recording)


def check_whole(rows: list[dict[str, Any]]) -> None:
    """Every packet from the first to the last, once and in order."""
    found = [number_in(row["payload"]) for row in rows if row["characteristic"] == "2a63"]
    assert found == list(range(found[0], found[0] + len(found)))


@pytest.mark.parametrize("seconds", [3.0, pytest.param(60.0, marks=[pytest.mark.slow, pytest.mark.timeout(300)])])
async def test_a_screen_that_stands_still_costs_no_row_and_no_stamp(tmp_path: Path, seconds: float) -> None:
    async with riding(tmp_path) as ride:
        stopped = await ride.lasts(0.5)
        ride.starter.send_signal(signal.SIGSTOP)
        gone_on = await ride.lasts(seconds)
        assert gone_on.owned
        ride.starter.send_signal(signal.SIGCONT)
        await ride.lasts(0.5)
        ride.starter.send_signal(signal.SIGTERM)
        status, printed, _ = await ride.ended()
    assert status == 0
    assert json.loads(printed)["reason"] == "hand"
    rows = rows_of(ride.folder)
    check_whole(rows)
    stood_ns = range(round(stopped.recorded_s * 1e9), round(gone_on.recorded_s * 1e9))
    stamps = [row["host_ns"] for row in rows if row["characteristic"] == "2a63" and row["host_ns"] in stood_ns]
    assert len(stamps) > 0.9 * seconds * RATE_HZ
    steps_s = [(after - before) / 1e9 for before, after in pairwise(stamps)]
    assert statistics.median(steps_s) == pytest.approx(1 / RATE_HZ, abs=0.005)


async def test_when_the_starting_screen_is_killed_the_recording_goes_on_and_a_new_one_ends_it(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        ride.starter.send_signal(signal.SIGKILL)
        await ride.told(lambda tell: not tell.owned)
        await ride.lasts(1.0)
        finisher = await program("-m", "analysis", "watch", str(ride.folder), "--finish")
        printed, said = await asyncio.wait_for(finisher.communicate(), PATIENCE_S)
        assert finisher.returncode == 0, said
        assert b"ended by: hand" in printed
    check_whole(rows_of(ride.folder))


async def closed_by(folder: Path, number: signal.Signals) -> None:
    folder.mkdir()
    async with riding(folder) as ride:
        tell = await ride.lasts(0.5)
        # What a terminal sends, it sends to its own session; Ctrl-C to one group of it.
        assert os.getsid(tell.pid) == tell.pid != os.getsid(ride.starter.pid)
        assert os.getpgid(tell.pid) != os.getpgid(ride.starter.pid)
        ride.starter.send_signal(number)
        status, printed, _ = await ride.ended()
    assert status == 0
    summary = json.loads(printed)
    assert (summary["reason"], Path(summary["recording"]).exists()) == ("hand", True)
    rows = rows_of(ride.folder)
    check_whole(rows)
    assert rows[-1]["event"] == Event.FINISHED


async def test_a_closed_terminal_and_ctrl_c_end_the_recording_properly(tmp_path: Path) -> None:
    """Both at once, since most of the time is that of starting programs."""
    ends = (signal.SIGHUP, signal.SIGINT)
    await asyncio.gather(*(closed_by(tmp_path / number.name, number) for number in ends))


class Terminal:
    """A pseudo-terminal of 100 × 30 whose other end is read and thrown away."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        fcntl.ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("4H", 30, 100, 0, 0))
        self.shown = b""

    async def start(self, _rides: Path, words: Sequence[str]) -> asyncio.subprocess.Process:
        """As from a shell: the terminal controls the session of the program, and hangs it up when it is closed."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "analysis", *words),
            cwd=ROOT,
            stdin=self._slave,
            stdout=self._slave,
            stderr=self._slave,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
            env={**os.environ, "TERM": "xterm-256color"},
        )
        os.close(self._slave)
        asyncio.get_running_loop().add_reader(self.master, self._read)
        return process

    def _read(self) -> None:
        self.shown += os.read(self.master, 65536)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self.master)
        os.close(self.master)


@pytest.mark.skipif(find_spec("textual") is None, reason="the drawn screen is not installed")
async def test_closing_the_window_of_the_drawn_screen_ends_the_recording_properly(tmp_path: Path) -> None:
    terminal = Terminal()
    async with riding(tmp_path, terminal.start) as ride:
        async with asyncio.timeout(PATIENCE_S):
            while b"Alder" not in terminal.shown:
                await asyncio.sleep(0.05)
        terminal.close()
        last = await ride.told(lambda tell: tell.ended)
        await asyncio.wait_for(ride.starter.wait(), PATIENCE_S)
    assert "ended by: hand" in last.ended_words
    rows = rows_of(ride.folder)
    check_whole(rows)
    assert rows[-1]["event"] == Event.FINISHED


async def test_watchers_come_and_go_as_they_like(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        stays = await program("-m", "analysis", "watch", str(ride.folder), "--plain")
        goes = await program("-m", "analysis", "watch", str(ride.folder), "--plain")
        ride.watcher.ask(Ask("mark", text="both are there"))
        assert goes.stderr is not None
        assert b"segment 1 begun" in await asyncio.wait_for(goes.stderr.readline(), PATIENCE_S)
        goes.kill()
        await goes.communicate()
        garbage = await asyncio.open_unix_connection(control_place(ride.folder).socket_path)
        garbage[1].write(b"\x00\xff garbage\n" * 1000)
        await garbage[1].drain()
        garbage[1].close()
        await ride.lasts(1.0)
        refused = await program("-m", "analysis", "watch", str(ride.folder), "--finish")
        await refused.communicate()
        assert refused.returncode == 1
        ride.starter.send_signal(signal.SIGTERM)
        await ride.ended()
        printed, _ = await asyncio.wait_for(stays.communicate(), PATIENCE_S)
        assert stays.returncode == 0
        assert b"ended by: hand" in printed
    check_whole(rows_of(ride.folder))


async def test_what_keeps_a_recorder_from_starting_is_said_by_the_screen(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text('[bench]\nname = "empty"\n')
    words = ["record", str(bench), "--out", str(tmp_path), "--headless", "--control"]
    starter = await program("-m", "tests.plain_rider", str(tmp_path), *words)
    _, said = await asyncio.wait_for(starter.communicate(), PATIENCE_S)
    assert starter.returncode == 2
    assert b"names no meter" in said


async def test_a_check_is_kept_beside_the_bench_file_and_taken_into_the_next_recording(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(ONE_METER)
    sensor = FakeSensor(steps=packets, reply=Answer(0.1, b"\x20\x0c\x01\xf4\xff"))
    async with SimulatedRadio([sensor]) as radio, serve_hci(radio, "tcp-server:127.0.0.1:0") as transport:
        radio.begin_ride()
        check = await program("-m", "analysis", "ready", str(bench), "--zero", "--json", "--through", transport)
        printed, said = await asyncio.wait_for(check.communicate(), PATIENCE_S)
        assert check.returncode == 0, said
        words = ["record", str(bench), "--out", str(tmp_path / "rides"), "--duration", "0.5", "--through", transport]
        ride = await program("-m", "analysis", *words)
        _, taken_over = await asyncio.wait_for(ride.communicate(), PATIENCE_S)
    (alder,) = json.loads(printed)["sensors"]
    assert (alder["ready"], alder["zero"]["value"]["raw"], alder["identity"]["model"]) == (True, -12, "AL-1")
    assert alder["rate_hz"] == pytest.approx(RATE_HZ, rel=0.2)
    assert b"unclip" in said
    kept = json.loads((tmp_path / "bench.ready.json").read_text())
    assert kept["sensors"][0]["zero"] == alder["zero"]
    assert b"taken over: all sensors were ready" in taken_over
    (row,) = [row for row in rows_of(tmp_path / "rides") if row["event"] == Event.READY]
    assert json.loads(row["detail"])["zero"] == alder["zero"]


async def test_where_nothing_is_recorded_watch_says_so(tmp_path: Path) -> None:
    watcher = await program("-m", "analysis", "watch", str(tmp_path))
    _, said = await asyncio.wait_for(watcher.communicate(), PATIENCE_S)
    assert watcher.returncode == 2
    assert said.startswith(b"wattproof: nothing that a screen can attach to")
