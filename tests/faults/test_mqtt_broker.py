"""A broker that is killed, that drops what it does not like without a word, or that others flood."""

from __future__ import annotations

import asyncio
import signal
import sys
from pathlib import Path

import numpy as np
import pytest

from recorder.host_clock import SystemClock
from tests.faults.conftest import Tell
from tests.mosquitto_broker import Mosquitto, needs_mosquitto
from tests.relaying import (
    TOPICS,
    NumberedSensor,
    RecorderSide,
    Relayed,
    RelayProcess,
    assert_each_once,
    numbers_of,
    plain_broker,
    relayed_ride,
    until,
)
from tests.riding import number_in

pytestmark = [needs_mosquitto, pytest.mark.slow, pytest.mark.timeout(120)]
NOTICED_S = 5.5  # 5 s, and half a second for a busy machine
ALL = "topic readwrite #"


async def test_the_broker_is_killed_and_comes_back(tmp_path: Path, tell: Tell) -> None:
    kills = 3
    with Mosquitto(tmp_path) as broker:
        recorder = RecorderSide(tmp_path / "ride", plain_broker(broker.port))
        recorder.record()
        relay = await RelayProcess.start(broker.url)
        try:
            for _ in range(kills):
                before = recorder.last
                await until(lambda before=before: recorder.last > before + 60, 20)  # type: ignore[misc]
                broker.kill()
                await asyncio.sleep(2.5)
                broker.start()
            rows = await recorder.ended(await relay.pause())
        finally:
            await relay.stop()
            await recorder.stop()
    assert_each_once(relay.sent_ns, rows)
    again = sum("broker reached again" in words for words in relay.words)
    assert again == kills
    tell(37, f"SIGKILL of Mosquitto, {kills} times for 2.5 s", "broker reached again", f"0 of {len(rows)} rows lost")


async def test_a_relay_that_is_killed_loses_what_was_not_sent_yet(tmp_path: Path, tell: Tell) -> None:
    """What a relay keeps is in its memory: a batch interval and the way to the recorder is what a kill costs."""
    with Mosquitto(tmp_path) as broker:
        recorder = RecorderSide(tmp_path / "ride", plain_broker(broker.port))
        recorder.record()
        first = await RelayProcess.start(broker.url)
        await until(lambda: recorder.last > 100, 20)
        await first.stop(signal.SIGKILL)
        second = await RelayProcess.start(broker.url)
        try:
            await until(lambda: sum(told["state"] == "found" for told in recorder.told) == 2, 10)
            recorder.arrived.clear()
            await until(lambda: recorder.last > 30, 20)
            rows = await recorder.ended(await second.pause())
        finally:
            await second.stop()
            await recorder.stop()
    found = numbers_of(rows)
    again = next(place for place in range(1, len(found)) if found[place] < found[place - 1])
    lost = max(first.sent_ns) - found[again - 1]
    assert found[:again] == list(range(found[0], found[again - 1] + 1))
    assert found[again:] == list(range(max(second.sent_ns) + 1))
    assert lost <= 40  # two seconds, for a busy machine
    tell(36, "SIGKILL of the relay, started again", "relay answers (a new start)", f"{lost / 20:.2f} s of rows lost")


async def said_within(ride: Relayed, words: str) -> float:
    """Seconds until the relay said it."""
    began_s = asyncio.get_running_loop().time()
    await until(lambda: any(words in said for said in ride.words), NOTICED_S)
    return asyncio.get_running_loop().time() - began_s


@pytest.mark.parametrize("topic", ["up/#", "up/batch", "down/#"], ids=["all of ours", "batches", "all to us"])
async def test_a_topic_that_is_forbidden_is_noticed(tmp_path: Path, topic: str, tell: Tell) -> None:
    """Rules of Mosquitto: what is not allowed is acknowledged and dropped."""
    allowed = {
        "up/#": [TOPICS.down("#")],
        "up/batch": [TOPICS.down("#"), TOPICS.up("hello"), TOPICS.up("answer"), TOPICS.up("gone")],
        "down/#": [TOPICS.up("#")],
    }[topic]
    rules = "\n".join(f"topic readwrite {name}" for name in allowed)
    with Mosquitto(tmp_path, rules=rules) as broker:
        async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
            took_s = await said_within(ride, "sends, but nothing arrives")
            if topic == "up/batch":
                await until(lambda: ride.recorder.told[-1]["state"] == "blocked", 3)
            assert ride.recorder.last == -1
    tell(38, f"topic rules forbid {topic}", "sends, but nothing arrives", f"told after {took_s:.1f} s")


async def test_messages_too_long_for_the_broker_are_noticed(tmp_path: Path, tell: Tell) -> None:
    """Hellos and answers of some 200 bytes pass, a batch does not: it needs 60 bytes a row and as much again."""
    with Mosquitto(tmp_path, more="message_size_limit 260") as broker:
        async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.recorder.told, 5)
            took_s = await said_within(ride, "message_size_limit")
    tell(38, "message_size_limit 260", "sends, but nothing arrives ... message_size_limit", f"after {took_s:.1f} s")


async def test_a_broker_that_takes_short_messages_only_gets_short_ones(tmp_path: Path, tell: Tell) -> None:
    with Mosquitto(tmp_path, more="message_size_limit 4000") as broker:
        async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 40, 10)
            broker.kill()
            await asyncio.sleep(10)  # two hundred rows wait: more than one message may hold
            broker.start()
            rows = await ride.ended()
    assert_each_once(ride.sent_ns, rows)
    tell(38, "message_size_limit 4000, and a backlog", "it catches up", f"0 of {len(rows)} rows lost")


async def test_a_flood_on_the_relays_own_topic_leaves_the_recorders_own_sensor_alone(
    tmp_path: Path, tell: Tell
) -> None:
    own = NumberedSensor(SystemClock(), sensor="Alder")
    with Mosquitto(tmp_path) as broker:
        async with relayed_ride(
            tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port), own=own
        ) as ride:
            await until(lambda: ride.last > 20, 10)
            flood = await asyncio.create_subprocess_exec(
                sys.executable,
                str(Path(__file__).parents[1] / "mqtt_flood.py"),
                "127.0.0.1",
                str(broker.port),
                TOPICS.up("batch"),
                "10000",
                "10",
                stdout=asyncio.subprocess.PIPE,
            )
            out, _ = await flood.communicate()
            rows = await ride.ended()
    assert_each_once(ride.sent_ns, rows)
    found = [row for row in rows if row["sensor"] == "Alder" and row["payload"] is not None]
    numbers = [number_in(row["payload"]) for row in found]
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    assert any(told["state"] == "flooded" for told in ride.recorder.told)
    late_ms = (np.diff([row["host_ns"] for row in found]) / 1e6) - 50
    tell(
        39,
        f"{int(out)} foreign messages in 10 s on the relay's own topic",
        "flooded by foreign messages, heard again in 10 s",
        f"0 rows lost; the own sensor came p99 {np.percentile(late_ms, 99):.1f}, at most {late_ms.max():.0f} ms late",
    )
