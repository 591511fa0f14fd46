"""How a recording with relays ends: what they still hold is waited for, what cannot come is told, they hear of it."""

from __future__ import annotations

import asyncio
import json
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from analysis.rows import Event
from recorder.late_rows import LONGEST_S, wait_for_late_rows
from recorder.recording_run import RecordingRun, RunOptions, RunTools
from recorder.recording_session import RecordingSession
from recorder.source import ComesLate, NotHere, Origin
from simulated_sensors.virtual_time import run_virtual
from tests.mosquitto_broker import Mosquitto, needs_mosquitto
from tests.relaying import (
    Proxy,
    Relayed,
    events_of,
    numbers_of,
    plain_broker,
    relayed_ride,
    start_of,
    until,
)
from tests.riding import POWER, FakeLog, FakeSource, LoopClock, silence

ROOT = Path(__file__).resolve().parents[1]
HELD = NotHere("pocket", 5, 3, "relay pocket: its rows since 14:00:07 are not in this file")


@dataclass
class LateSource(FakeSource):
    """Has everything `after_s` after the end."""

    after_s: float = 0.0
    end_s: float | None = None
    deliver: Callable[[], None] = lambda: None

    def ending(self) -> None:
        self.end_s = asyncio.get_running_loop().time()

    def still_to_come(self) -> str:
        assert self.end_s is not None
        if asyncio.get_running_loop().time() - self.end_s < self.after_s:
            return "relay pocket"
        self.deliver()
        return ""

    def not_here(self) -> tuple[NotHere, ...]:
        return (HELD,) if self.still_to_come() else ()


@dataclass
class Ended:
    not_here: tuple[NotHere, ...]
    took_s: float
    said: list[str]
    log: FakeLog


def end_with(after_s: float, hurry_s: float | None = None, sync_s: float = 0.0) -> Ended:
    async def main() -> Ended:
        loop = asyncio.get_running_loop()
        log, said, hurry = FakeLog(), list[str](), asyncio.Event()
        source = LateSource([silence], after_s=after_s)
        assert isinstance(source, ComesLate)
        session = RecordingSession(LoopClock(), log, ["Birch"])
        if hurry_s is not None:
            loop.call_later(hurry_s, hurry.set)
        found = await wait_for_late_rows(source, session, lambda: asyncio.sleep(sync_s), said.append, hurry)
        return Ended(found, loop.time(), said, log)

    return run_virtual(main())


def test_rows_that_come_at_once_are_waited_for_without_words() -> None:
    ended = end_with(0.3)
    assert (ended.not_here, ended.said, ended.log.rows) == ((), [], [])
    assert 0.3 <= ended.took_s < 0.4


def test_a_longer_wait_is_said_once_and_ends_with_the_last_row() -> None:
    ended = end_with(6.0)
    assert ended.not_here == ()
    assert ended.said == ["waiting for relay pocket, 10 s at most; stop once more to end at once"]
    assert 6.0 <= ended.took_s < 6.1


def test_the_wait_is_bounded_and_what_did_not_come_stands_in_the_file() -> None:
    ended = end_with(3600.0)
    assert LONGEST_S <= ended.took_s < LONGEST_S + 0.1
    assert ended.not_here == (HELD,)
    (told,) = ended.log.events(Event.RELAY)
    assert told.detail == {"relay": "pocket", "state": "missing", "words": HELD.words, "known_rows": 3}


def test_a_second_stop_ends_the_wait() -> None:
    ended = end_with(3600.0, hurry_s=2.0)
    assert 2.0 <= ended.took_s < 2.1
    assert ended.not_here == (HELD,)


def test_a_disk_that_hangs_does_not_hold_up_the_end() -> None:
    assert end_with(0.0, sync_s=3600.0).took_s < 2.1


def ride_that_ends(steer: Callable[[RecordingRun], Any], after_s: float) -> tuple[float, RecordingRun, FakeLog]:
    """Own and relayed packets come on after the end."""

    async def main() -> tuple[float, RecordingRun, FakeLog]:
        loop = asyncio.get_running_loop()
        clock, log = LoopClock(), FakeLog()
        session = RecordingSession(clock, log, ["Alder", "Birch"])
        source = LateSource([silence], after_s=after_s)

        async def sync() -> None:
            return

        ride = RecordingRun(RunTools(session, source, sync, lambda words: None, lambda state: None), RunOptions())
        steer(ride)
        running = asyncio.ensure_future(ride.run())
        for number in range(40):
            await asyncio.sleep(0.25)
            session.received(clock.now_ns(), "Alder", "2a63", POWER)
            for late_ns in (0, 10**9):
                session.relayed(clock.now_ns() - late_ns, Origin(number, number), "Birch", "2a63", POWER, "relayed")
            session.happened(Event.LINK_LOST, "Alder", reason="the rider went away")
        await running
        return loop.time(), ride, log

    return run_virtual(main())


def test_of_what_comes_after_the_end_only_what_is_from_before_is_taken() -> None:
    _, ride, log = ride_that_ends(lambda ride: asyncio.get_running_loop().call_later(4.0, ride.stop, "hand"), 3.0)
    assert ride.not_here == ()
    assert max(row.host_ns for row in log.rows) == 4 * 10**9
    late = [row.host_ns for row in log.rows if row.row_kind == "relayed"]
    assert late.count(4 * 10**9 - 250_000_000) == 2  # once at its time, once a second late
    own = [row for row in log.rows if row.sensor == "Alder" and row.row_kind == "notification"]
    assert len(own) == len(log.events(Event.LINK_LOST)) == pytest.approx(4.0 / 0.25, abs=1)
    assert log.rows[-1].event == Event.FINISHED


@pytest.mark.parametrize(("reasons", "waits"), [(["hand"], True), (["hand", "hand"], False), (["SIGPWR"], False)])
def test_who_stops_twice_or_loses_power_does_not_wait(reasons: list[str], waits: bool) -> None:
    def steer(ride: RecordingRun) -> None:
        for reason in reasons:
            asyncio.get_running_loop().call_later(4.0, ride.stop_at_once, reason)

    _, ride, _ = ride_that_ends(steer, 3.0)
    assert ride.not_here == (() if waits else (HELD,))


def test_the_end_of_the_plan_or_duration_cuts_no_wait_short() -> None:
    def steer(ride: RecordingRun) -> None:
        asyncio.get_running_loop().call_later(4.0, ride.stop_at_once, "hand")
        asyncio.get_running_loop().call_later(4.5, ride.stop, "duration")

    assert ride_that_ends(steer, 3.0)[1].not_here == ()


# -- with a broker ---------------------------------------------------------------------------------------------


@dataclass
class Stopped:
    """A recording that was ended with a signal while its sensor rode on."""

    rows: list[dict[str, Any]]
    end_ns: int
    path: Path
    words: str
    lines: list[str] = field(default_factory=list)


async def stopped(ride: Relayed) -> Stopped:
    summary = await ride.recorder.told_to_stop()
    assert summary.recording is not None
    rows: list[dict[str, Any]] = pq.read_table(summary.recording).to_pylist()
    (finished,) = events_of(rows, "finished")
    end_ns = start_of(summary.recording) + finished["host_ns"]
    return Stopped(rows, end_ns, summary.recording, summary.in_words(), ride.recorder.words)


@needs_mosquitto
@pytest.mark.timeout(60)
async def test_rows_under_way_at_the_end_are_in_the_file_and_the_relay_hears_of_the_end(tmp_path: Path) -> None:
    """Which are to be there is known from when the sensor sent them, by the clock that both share."""
    with Mosquitto(tmp_path) as broker:
        proxy = Proxy(broker.port)
        await proxy.start()
        async with relayed_ride(tmp_path / "ride", plain_broker(proxy.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 20, 10)
            proxy.jitter_s = 0.8  # what comes from now on is held up
            await asyncio.sleep(0.6)
            held = len(ride.sent_ns) - 1 - ride.last
            ended = await stopped(ride)
            proxy.jitter_s = 0.0
            await until(lambda: any("the recording has ended" in words for words in ride.words), 10)
            ride.forwarder.stop("SIGTERM")
            forwarded = await asyncio.wait_for(ride.forwarding, 15)
        await proxy.stop()
    assert held > 3
    found = numbers_of(ended.rows)
    assert found == list(range(found[0], found[-1] + 1))
    margin_ns = 60_000_000  # a packet each 20 ms, and some ms of doubt between the clocks
    assert [n for n, at_ns in ride.sent_ns.items() if n > found[-1] and at_ns < ended.end_ns - margin_ns] == []
    assert ride.sent_ns[found[-1]] < ended.end_ns + margin_ns
    assert "not in this file" not in ended.words
    assert "came after the recording had ended" in forwarded.in_words()
    assert forwarded.left <= len(ride.sent_ns) - found[-1] + 2
    assert not any("nothing arrives" in words or "cannot be heard" in words for words in ride.words)


@needs_mosquitto
@pytest.mark.timeout(60)
async def test_a_relay_out_of_reach_at_the_end_is_told_with_the_time_from_which_its_rows_are_missing(
    tmp_path: Path,
) -> None:
    with Mosquitto(tmp_path) as broker:
        proxy = Proxy(broker.port)
        await proxy.start()
        async with relayed_ride(tmp_path / "ride", plain_broker(proxy.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 20, 10)
            proxy.cut()
            await until(lambda: any(told["state"] == "offline" for told in ride.recorder.told), 10)
            ended = await stopped(ride)
        await proxy.stop()
    pattern = r"relay pocket: its rows since \d\d:\d\d:\d\d are not in this file \(it could not be heard at the end\)"
    assert re.search(pattern, ended.words)
    told = [json.loads(row["detail"]) for row in events_of(ended.rows, "relay")]
    (missing,) = [detail for detail in told if detail["state"] == "missing"]
    assert re.fullmatch(pattern, missing["words"])
    assert not any("waiting for relay" in line for line in ended.lines)


# -- a recorder that is killed ---------------------------------------------------------------------------------


@needs_mosquitto
@pytest.mark.timeout(120)
@pytest.mark.parametrize("kills", [1, pytest.param(6, marks=pytest.mark.slow)])
async def test_no_row_that_was_acknowledged_as_safe_is_lost_with_a_recorder_that_is_killed(
    tmp_path: Path, kills: int
) -> None:
    """Killed by SIGKILL in mid-ride, several times; what it left is finished by the next, and read by pyarrow."""
    folder = tmp_path / "ride"
    folder.mkdir()
    with Mosquitto(tmp_path) as broker:
        async with relayed_ride(
            folder, plain_broker(broker.port), plain_broker(broker.port), record_after_s=None
        ) as ride:
            sender = ride.forwarder.sink.sender
            safe: list[int] = []
            for kill in range(kills):
                recorder = await asyncio.create_subprocess_exec(
                    sys.executable, "-m", "tests.relay_recorder_child", broker.url, str(folder), cwd=ROOT
                )
                safe_at_last = sender.next_seq + 25
                while sender.kept_from <= safe_at_last:
                    await asyncio.sleep(0.02)
                await asyncio.sleep(0.13 * kill)  # at another moment between two syncs
                recorder.kill()
                await recorder.wait()
                await asyncio.sleep(0.2)  # what it said before is heard now
                safe.append(sender.kept_from - 1)
            ride.recorder.record()
            before = ride.last
            await until(lambda: ride.last > before + 10, 20)
            rows = await ride.ended()
    files = [pq.read_table(path).to_pylist() for path in sorted(folder.glob("*.parquet"), key=order_of)]
    assert len(files) == kills + 1
    for found, last_safe in zip(files, safe, strict=False):
        seqs = {row["origin_seq"] for row in found if row["origin_seq"] is not None}
        assert max(seqs) >= last_safe
        assert seqs == set(range(min(seqs), max(seqs) + 1))
    assert numbers_of(rows)[-1] == len(ride.sent_ns) - 1


def order_of(path: Path) -> int:
    return path.stat().st_mtime_ns
