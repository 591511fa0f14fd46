"""The program as one types it: help, exit statuses, and printed JSON that a machine can read."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from argparse import ArgumentTypeError
from pathlib import Path
from typing import Any

import pytest

from analysis.command_line import COMMANDS, main, run_safely
from analysis.errors import BadInput
from recorder.command_line import seconds_or_none
from recorder.recording_run import Summary
from recorder.recording_session import SensorCounts
from tests.riding import Journal, exit_status

ROOT = Path(__file__).resolve().parents[1]
HEAVY = (
    "numpy",
    "pandas",
    "pyarrow",
    "bleak",
    "dbus_fast",
    "bumble",
    "msgspec",
    "asyncio",
    "recorder",
    "simulated_sensors",
)


def strict_json(text: str) -> Any:
    """Exactly one object, without the names for numbers that JSON has not (RFC 8259, 6)."""

    def refuse(name: str) -> None:
        raise ValueError(f"{name} is no JSON")

    value = json.loads(text, parse_constant=refuse)
    assert isinstance(value, dict)
    return value


@pytest.fixture
def ride(tmp_path: Path) -> Path:
    """A recording of one meter without cadence, so that some figures cannot be said."""
    folder = tmp_path / "rides"
    folder.mkdir()
    Journal(30).end().put(folder)
    assert main(["recover", str(folder)]) == 0
    return folder / "ride.parquet"


# -- help ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert exit_status(command, "--help") == 0
    printed = capsys.readouterr()
    assert printed.out.startswith(f"usage: wattproof {command}")
    assert f"example:\n  wattproof {command}" in printed.out
    assert printed.err == ""


@pytest.mark.parametrize("words", [["--help"], ["-h"], ["help"]])
def test_the_program_lists_its_commands(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 0
    printed = capsys.readouterr().out
    assert all(f"  {name} " in printed for name in COMMANDS)


def test_alone_it_prints_its_help_and_says_that_something_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "commands:" in capsys.readouterr().out


def test_the_version_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.splitlines()[0].startswith("wattproof ")


def test_finding_a_command_costs_no_heavy_import() -> None:
    script = f"import sys, analysis.command_line; print([n for n in {HEAVY!r} if n in sys.modules])"
    found = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_costs_no_heavy_import(command: str) -> None:
    heavy = tuple(name for name in HEAVY if name not in ("recorder", "simulated_sensors"))
    script = (
        "import sys\nfrom analysis.command_line import main\n"
        f"try: main([{command!r}, '--help'])\n"
        f"except SystemExit: print([n for n in {heavy!r} if n in sys.modules], file=sys.stderr)"
    )
    found = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stderr.strip() == "[]"


@pytest.mark.parametrize(("text", "value"), [("0", 0.0), ("0.0", 0.0), ("-0", 0.0), ("2.5", 2.5)])
def test_a_default_of_no_waiting_can_be_given_as_well(text: str, value: float) -> None:
    assert seconds_or_none(text) == value


@pytest.mark.parametrize("text", ["-1", "nan", "inf", "1e7"])
def test_no_other_time_can_be_given(text: str) -> None:
    with pytest.raises(ArgumentTypeError, match="above 0"):
        seconds_or_none(text)


# -- JSON ------------------------------------------------------------------------------------------------------


def test_report_prints_one_object_without_nan(ride: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["report", str(ride), "--json"]) == 0
    printed = capsys.readouterr().out
    assert strict_json(printed)["recording"] == str(ride)
    assert "null" in printed


def test_recover_prints_one_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recover", str(tmp_path), "--json"]) == 0
    assert strict_json(capsys.readouterr().out) == {"recovered": [], "left": []}
    Journal(75).put(tmp_path)
    assert main(["recover", str(tmp_path), "--json"]) == 0
    (ride,) = strict_json(capsys.readouterr().out)["recovered"]
    assert ride["recording"] == str(tmp_path / "ride.parquet")
    assert ride["rows"] == 76


def test_demo_prints_one_object_and_everything_else_on_the_error_stream(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "demo"
    assert main(["demo", "--json", "--headless", "--speed", "100000", "--out", str(out)]) == 0
    printed = capsys.readouterr()
    summary = strict_json(printed.out)
    assert Path(summary["recording"]).parent == out
    assert list(summary["sensors"]) == ["Alder", "Birch", "Cedar", "Dogwood", "Elm"]
    keys = {"rows", "gaps", "duplicates_dropped", "not_understood"}
    assert all(set(counts) == keys and counts["rows"] > 500 for counts in summary["sensors"].values())
    assert "sprint: 12 s, 820 W" in printed.err
    assert "\r" not in printed.err
    assert main(["report", summary["recording"]]) == 0
    assert "long steady" in capsys.readouterr().out


def test_no_console_can_spoil_a_name_in_the_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Names are keys there, and two that a console turns into `?` would become one (escapes: RFC 8259, 7)."""
    from recorder.command_line import print_summary

    folder = tmp_path / "Süd"
    folder.mkdir()
    Journal(75).put(folder)
    assert main(["recover", str(folder), "--json"]) == 0
    recovered = capsys.readouterr().out
    assert main(["report", str(folder / "ride.parquet"), "--json"]) == 0
    reported = capsys.readouterr().out
    summary = Summary(None, None, 1.0, "duration", {"Ä": SensorCounts(rows=1), "Ö": SensorCounts(rows=2)}, ())
    print_summary(summary, as_json=True)
    summed = capsys.readouterr().out
    assert (recovered + reported + summed).isascii()
    assert strict_json(recovered)["recovered"][0]["recording"] == strict_json(reported)["recording"]
    assert list(strict_json(summed)["sensors"]) == ["Ä", "Ö"]


# -- words and exit statuses -----------------------------------------------------------------------------------


def test_recover_says_what_it_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recover", str(tmp_path)]) == 0
    assert capsys.readouterr().out == "nothing to recover here.\n"
    path = Journal(75).put(tmp_path)
    assert main(["recover", str(path)]) == 0
    assert "1 min 14 s recovered" in capsys.readouterr().out


def test_a_summary_without_a_file_names_the_journal_and_exits_with_3(capsys: pytest.CaptureFixture[str]) -> None:
    from recorder.command_line import print_summary

    summary = Summary(None, Path("ride.journal"), 61.0, "duration", {}, ())
    assert print_summary(summary, as_json=False) == 3
    assert "the ride is safe in ride.journal (1 min 01 s" in capsys.readouterr().out
    assert print_summary(summary, as_json=True) == 3
    assert strict_json(capsys.readouterr().out)["journal"] == "ride.journal"


def test_a_summary_counts_one_thing_in_the_singular() -> None:
    sensors = {"Alder": SensorCounts(rows=1, gaps=1), "Birch": SensorCounts(20, 2, 1, 3), "Cedar": SensorCounts()}
    lines = Summary(Path("ride.parquet"), None, 61.0, "plan", sensors, ()).in_words().splitlines()[1:]
    assert lines == [
        "  Alder: 1 row, 1 gap",
        "  Birch: 20 rows, 2 gaps, 1 duplicate dropped, 3 payloads not understood",
        "  Cedar: nothing was ever received",
    ]


def test_what_a_command_raises_becomes_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    def bad() -> int:
        raise BadInput("the file is blue; paint it")

    def interrupted() -> int:
        raise KeyboardInterrupt

    assert run_safely(bad) == 2
    assert capsys.readouterr().err == "wattproof: the file is blue; paint it.\n"
    assert run_safely(interrupted) == 3
    assert capsys.readouterr().err == "wattproof: interrupted.\n"


def test_a_reader_that_leaves_early_is_no_failure(ride: Path) -> None:
    """As `wattproof report ... | head -1` does."""
    command = [sys.executable, "-m", "analysis", "report", str(ride), "--json"]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(60) in (0, 3)
    assert said == ""


def test_a_console_without_our_characters_gets_question_marks(ride: Path) -> None:
    command = [sys.executable, "-m", "analysis", "report", str(ride)]
    ascii_only = {**os.environ, "PYTHONIOENCODING": "ascii"}
    found = subprocess.run(command, cwd=ROOT, env=ascii_only, capture_output=True, text=True, check=False)
    assert (found.returncode, found.stderr) == (0, "")
    assert "whole ride" in found.stdout
    assert "?" in found.stdout


def test_a_closed_error_stream_keeps_nothing_out_of_a_result(tmp_path: Path) -> None:
    Journal(20).put(tmp_path)
    (tmp_path / "a.journal").write_bytes(b"rubbish")
    script = f'exec 2>&-; exec "{sys.executable}" -m analysis recover "{tmp_path}" --json'
    found = subprocess.run(["/bin/sh", "-c", script], cwd=ROOT, stdout=subprocess.PIPE, text=True, check=False)
    assert found.returncode == 2
    assert len(strict_json(found.stdout)["recovered"]) == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_an_output_that_takes_nothing_is_said_in_one_sentence() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "analysis", "--help"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 2
    assert done.stderr == "wattproof: the output could not be written: No space left on device.\n"
