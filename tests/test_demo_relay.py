"""The demo with a relay, through the embedded broker and a real one: all rows arrive, and stand where they belong."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from analysis.errors import WattproofError
from analysis.recording_reader import read_metadata
from recorder.compose import RecordJob, Surroundings, record
from recorder.mqtt_client import connected, open_broker
from recorder.storage import SystemStorage
from simulated_sensors.demo import DemoOptions, quayside_bench, quayside_plan, ride_of, run_demo
from simulated_sensors.demo_relay import AHEAD_S, DRIFT_PPM, FAR, relayed_air
from simulated_sensors.embedded_broker import embedded_broker, require_amqtt
from simulated_sensors.errors import NoSimulation
from simulated_sensors.quayside import quayside_sensors
from simulated_sensors.virtual_time import VirtualClock, run_virtual
from tests.mosquitto_broker import Mosquitto, free_port
from tests.riding import exit_status

SPEED = 12.0
RIDE_S = 60.0


@dataclass(frozen=True)
class Relayed:
    rows: Sequence[dict[str, Any]]
    start_ns: int
    words: Sequence[str]

    def of(self, sensor: str) -> list[dict[str, Any]]:
        return [row for row in self.rows if row["sensor"] == sensor and row["characteristic"] in ("2a63", "2a5b")]


def ride_a_minute(folder: Path, url: str | None) -> Relayed:
    words: list[str] = []

    async def main() -> Relayed:
        clock = VirtualClock(asyncio.get_running_loop(), 0)  # so that the wall clock tells the loop's own time
        sensors = quayside_sensors(ride_of(quayside_plan(), 1), 1)
        async with relayed_air(quayside_bench(), sensors, clock, 1, url, words.append) as air:
            air.begin()
            around = Surroundings(clock, SystemStorage(), air.source, words.append)
            summary = await record(RecordJob(air.bench, folder, duration_s=RIDE_S, needed_bytes=0), around)
        assert summary.recording is not None
        at_ns, utc_ns = read_metadata(summary.recording).utc_anchors[0]
        return Relayed(pq.read_table(summary.recording).to_pylist(), int(utc_ns) - int(at_ns), words)

    return run_virtual(main(), speed=SPEED)


@pytest.fixture(scope="module")
def relayed(tmp_path_factory: pytest.TempPathFactory) -> Relayed:
    return ride_a_minute(tmp_path_factory.mktemp("relayed"), None)


def test_far_sensors_come_through_the_relay_and_near_ones_do_not(relayed: Relayed) -> None:
    for name in ("Alder", "Birch", "Cedar", *FAR):
        rows = relayed.of(name)
        assert len(rows) > 0.7 * RIDE_S, name
        assert {row["row_kind"] for row in rows} == {"relayed" if name in FAR else "notification"}


def test_every_row_of_the_relay_is_there_once_and_in_order(relayed: Relayed) -> None:
    """The relay numbers all its rows, events among them, without a hole."""
    numbers = [row["origin_seq"] for row in relayed.rows if row["origin_seq"] is not None]
    assert len(numbers) > 100
    assert sorted(numbers) == list(range(min(numbers), min(numbers) + len(numbers)))


def test_rows_stand_where_they_happened_though_the_clock_of_the_relay_is_wrong(relayed: Relayed) -> None:
    """The error of the relay's clock is known here exactly, and within one loop messages take no virtual time."""
    rows = [row for name in FAR for row in relayed.of(name)]
    origin_ns = np.array([row["origin_ns"] for row in rows], dtype=float)
    true_ns = (origin_ns - AHEAD_S * 1e9) / (1 + DRIFT_PPM / 1e6)
    away_s = (np.array([row["host_ns"] for row in rows]) + relayed.start_ns - true_ns) / 1e9
    assert np.abs(away_s).max() < 0.02


async def test_the_embedded_broker_comes_and_goes() -> None:
    for _ in range(2):
        async with (
            embedded_broker() as url,
            connected(open_broker(url), "a") as a,
            connected(open_broker(url), "b") as b,
        ):
            await b.subscribe("quay/#")
            for number in range(50):
                await a.publish("quay/one", str(number).encode())
            messages = b.messages()
            async with asyncio.timeout(10):
                assert [(await anext(messages)).payload for _ in range(50)] == [str(n).encode() for n in range(50)]


def test_without_the_library_the_way_out_is_said() -> None:
    with pytest.raises(NoSimulation, match=r"mosquitto -p 1883.*--broker mqtt://127.0.0.1:1883"):
        require_amqtt(lambda name: None)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--broker", "mqtt://127.0.0.1"], "--broker goes with --relay"),
        (["--relay", "--broker", "http://quay"], "not the address of a broker"),
        (["--relay", "--speed", "100"], "at most 24 times"),
    ],
)
def test_unfit_options(tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert exit_status("demo", "--headless", "--out", str(tmp_path / "ride"), *words) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "ride").exists()


def test_a_broker_that_is_not_there_is_said_before_the_ride(tmp_path: Path) -> None:
    url = f"mqtt://127.0.0.1:{free_port()}"
    with pytest.raises(WattproofError, match="no broker listens there"):
        run_demo(DemoOptions(tmp_path, 24.0, relay=True, broker=url), lambda words: None, lambda words: None)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_whole_demo_through_a_real_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same one meter is named as without a relay, since nothing but the way of the rows is different."""
    with Mosquitto(tmp_path) as broker:
        url = f"mqtt://127.0.0.1:{broker.port}"
        out = tmp_path / "ride"
        assert exit_status("demo", "--relay", "--broker", url, "--headless", "--out", str(out)) == 0
    table = " ".join(capsys.readouterr().out.split())
    assert "Cedar reads 5." in table
    assert "differs (5 segments)" in table
    assert "Birch reads 0.7 % below Alder" in table
