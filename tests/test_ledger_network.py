"""All rides of a ledger as one network: the same observations as from the rides, chains of units, firmware epochs."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from analysis.adjustment import adjust
from analysis.bench_model import ride_observations
from analysis.command_line import main
from analysis.judge import judge_recording
from analysis.ledger.ledger_folder import open_ledger
from analysis.ledger.network import network
from analysis.ledger.network_words import epoch_steps, network_lines
from analysis.ledger.taking_in import add_recording
from analysis.recording_reader import read_recording
from tests.ledger_rides import Against, bench_table, ledger_of, made_results, write_ride


def chain_of_rides(pairs: Sequence[tuple[str, str]], errors: dict[str, float], each: int = 3) -> list[pa.Table]:
    """Rides of two units each, whose readings are as their errors say, with a little scatter."""
    noise = np.random.default_rng(11)
    tables = []
    for number, (one, other) in enumerate(p for p in pairs for _ in range(each)):
        away = 100 * ((1 + errors[other] / 100) / (1 + errors[one] / 100) - 1)
        steps = (away + 0.1 * noise.standard_normal(4)).tolist()
        tables.append(made_results(f"r{number:02d}", number, one, [Against(other, steps)]))
    return tables


def test_the_ledger_says_what_the_recording_says(tmp_path: Path) -> None:
    meters = ("Alder", "Birch", "Cedar")
    bench = bench_table(meters, drivetrain={"id": "trainer bike", "loss_pct": 2.0, "loss_sd_pct": 0.5})
    path = write_ride(tmp_path / "r.parquet", meters=meters, bench=bench)
    recording = read_recording(path)
    judged = judge_recording(recording)
    firmware = dict.fromkeys(meters, "1.0")
    session = recording.metadata.session_id
    said = ride_observations(judged.segments, judged.setup, recording.bench, session, firmware)
    folder = open_ledger(str(tmp_path / "l"), make=True)
    add_recording(folder, path)
    (kept,) = network(folder.snapshot())
    assert said is not None
    assert (kept.ride, kept.reference, kept.meters) == (said.ride, said.reference, said.meters)
    assert (kept.chain, kept.chain_id) == (said.chain, said.chain_id)
    assert [s.name for s in kept.segments] == [s.name for s in said.segments]
    for ours, theirs in zip(kept.segments, said.segments, strict=True):
        assert ours.torque_nm == theirs.torque_nm or (math.isnan(ours.torque_nm) and math.isnan(theirs.torque_nm))
        assert ours.readings.keys() == theirs.readings.keys()
        for name, reading in ours.readings.items():
            assert reading.difference_pct == theirs.readings[name].difference_pct
            assert reading.variance_pct2 == pytest.approx(theirs.readings[name].variance_pct2)


def test_units_never_ridden_together_are_compared_through_common_ones(tmp_path: Path) -> None:
    errors = {"a": 0.0, "b": 1.0, "c": -0.5, "d": 1.5}
    tables = chain_of_rides([("a", "b"), ("b", "c"), ("c", "d")], errors)
    found = adjust(network(ledger_of(tmp_path / "l", tables).snapshot()))
    near, far = (found.difference((unit, "1.0"), ("a", "1.0")) for unit in ("b", "d"))
    assert near is not None
    assert far is not None
    assert abs(far.difference_pct - 1.5) <= far.half_width_pct
    assert far.half_width_pct > near.half_width_pct


def test_units_that_no_rides_link_are_not_compared(tmp_path: Path) -> None:
    tables = chain_of_rides([("a", "b"), ("c", "d")], dict.fromkeys("abcd", 0.0))
    lines = list(network_lines(adjust(network(ledger_of(tmp_path / "l", tables).snapshot()))))
    assert sum("no rides link the two" in line for line in lines) == 2
    assert "cannot be known" in lines[0]


def test_a_firmware_change_is_a_new_epoch_of_the_same_unit(tmp_path: Path) -> None:
    noise = np.random.default_rng(12)
    tables = [
        made_results(
            f"r{n}",
            n,
            "alder-1",
            [Against("birch-1", (step + 0.1 * noise.standard_normal(4)).tolist(), firmware)],
        )
        for n, (step, firmware) in enumerate([(0.2, "2.0.4")] * 3 + [(-1.6, "2.1.0")] * 3)
    ]
    found = adjust(network(ledger_of(tmp_path / "l", tables).snapshot()))
    (step,) = epoch_steps(found)
    assert (step.unit, step.before, step.after) == ("birch-1", "2.0.4", "2.1.0")
    assert step.change is not None
    assert abs(step.change.difference_pct + 1.8) <= step.change.half_width_pct < 1.8
    assert any(line.startswith("birch-1 after 2.1.0: -1.") for line in network_lines(found))


def test_a_ride_that_does_not_tell_a_firmware_has_the_one_told_before(tmp_path: Path) -> None:
    tables = [
        made_results(f"r{n}", n, "alder-1", [Against("birch-1", [0.1] * 4, firmware or "", {"firmware": firmware})])
        for n, firmware in enumerate(["1.0", None, "2.0", None])
    ]
    rides = network(ledger_of(tmp_path / "l", tables).snapshot())
    assert [ride.meters[1].epoch for ride in rides] == ["1.0", "1.0", "2.0", "2.0"]


def test_a_meter_without_a_unit_links_nothing(tmp_path: Path) -> None:
    tables = [
        made_results(f"r{n}", n, "alder-1", [Against("Birch", [0.1] * 4, facts={"unit": None})]) for n in range(2)
    ]
    rides = network(ledger_of(tmp_path / "l", tables).snapshot())
    assert len({ride.meters[1].unit for ride in rides}) == 2
    assert [replace(m, unit="") for m in rides[0].meters] == [replace(m, unit="") for m in rides[1].meters]


def test_adjust_prints_lines_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ledger_of(tmp_path / "l", chain_of_rides([("a", "b"), ("b", "c")], {"a": 0.0, "b": 0.1, "c": 6.0}))
    place = ["--ledger", str(tmp_path / "l")]
    assert main(["ledger", "adjust", *place]) == 0
    printed = capsys.readouterr().out
    assert "Each unit" in printed
    assert "Against " in printed
    assert max(map(len, printed.splitlines())) <= 80
    assert main(["ledger", "adjust", "--json", *place]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {u["unit"] for u in told["units"]} == {"a", "b", "c"}
    assert told["firmware_steps"] == []
    ledger_of(tmp_path / "alone", [made_results("x", 0, "a", [])])
    assert main(["ledger", "adjust", "--ledger", str(tmp_path / "alone")]) == 1
    assert "no ride of the ledger compares two meters" in capsys.readouterr().err
