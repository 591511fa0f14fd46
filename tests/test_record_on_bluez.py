"""`wattproof record` as a practitioner runs it: the platform's own Bluetooth backend, no simulation imported."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.bluez_bench import FAKE, needs_fake_bluez

SCENARIO = """
[ride]
start = "all_subscribed"
start_delay_s = 0.5
rpm = 90
after = "hold"
[[ride.power]]
shape = "constant"
watts = 200
s = 30
[[sensor]]
id = "a"
address = "C0:5A:00:00:00:01"
name = "Alder 0042"
rate_hz = 4.0
serial = "0042"
firmware = "3.4.1"
[[sensor]]
id = "c"
address = "C0:5A:00:00:00:03"
name = "Cedar"
services = ["1818", "180A"]
rate_hz = 4.0
scale_pct = -5.0
"""
BENCH = """
[bench]
name = "on a bus"
[[meter]]
name = "Alder"
place = "pedals"
match = { name = "Alder 0042" }
[[meter]]
name = "Cedar"
place = "trainer"
address = "C0:5A:00:00:00:03"
"""
# Refuses the simulation's stack and says at the end whether anything tried to import it.
RECORD = """
import sys
class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("bumble", "simulated_sensors"):
            raise ImportError(f"{name} must not be needed")
sys.meta_path.insert(0, Refuse())
from analysis.command_line import main
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.usefixtures("bus_programs")
def test_a_ride_is_recorded_through_the_platform_backend(tmp_path: Path) -> None:
    (tmp_path / "scenario.toml").write_text(SCENARIO)
    (tmp_path / "bench.toml").write_text(BENCH)
    record = [sys.executable, "-c", RECORD, "record", "bench.toml", "--headless", "--duration", "8", "--json"]
    done = subprocess.run(
        [sys.executable, str(FAKE), "--scenario", "scenario.toml", "--truth", "truth.jsonl", "--run", *record],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[1])},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    (line,) = [text for text in done.stdout.splitlines() if text.startswith('{"recording"')]
    summary = json.loads(line)
    assert "Traceback" not in done.stderr
    rows = pq.read_table(tmp_path / summary["recording"]).to_pylist()
    truth = [json.loads(text) for text in (tmp_path / "truth.jsonl").read_text().splitlines()]
    for sensor, address in (("Alder", "C0:5A:00:00:00:01"), ("Cedar", "C0:5A:00:00:00:03")):
        sent = [t["hex"] for t in truth if t["kind"] == "notify" and t["address"] == address and "2a63" in t["uuid"]]
        got = [r["payload"].hex() for r in rows if r["sensor"] == sensor and r["characteristic"] == "2a63"]
        assert len(got) > 10
        # What the sensor sent after the recording had ended nobody asked for.
        assert got == sent[: len(got)]
        assert len(sent) - len(got) <= 8
        assert summary["sensors"][sensor]["gaps"] == 0
    identity = json.loads(pq.ParquetFile(tmp_path / summary["recording"]).schema_arrow.metadata[b"wattproof"])[
        "sensors"
    ]
    assert identity["Alder"]["serial"] == "0042"
    assert identity["Alder"]["firmware_revision"] == "3.4.1"


@pytest.fixture
def bus_programs(request: pytest.FixtureRequest) -> None:
    for mark in needs_fake_bluez:
        if mark.args[0]:
            pytest.skip(mark.kwargs["reason"])


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the system answers for itself")
@pytest.mark.parametrize("command", [["record", "bench.toml", "--headless", "--json"], ["scan"]])
def test_without_adapter_and_service_it_says_so_in_one_sentence(tmp_path: Path, command: list[str]) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    done = subprocess.run(
        [sys.executable, "-c", RECORD, *command],
        cwd=tmp_path,
        env={
            **os.environ,
            "PYTHONPATH": str(Path(__file__).resolve().parents[1]),
            "DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path / 'nobody'}",
        },
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("wattproof: ")
    assert "Bluetooth" in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["bench.toml"]
