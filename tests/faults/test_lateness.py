"""Arrival stamps while the recorder syncs, computes verdicts and other programs finish and judge rides beside it."""

from __future__ import annotations

import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.faults.conftest import Tell
from tests.faults.harmed_rides import ROOT, HarmedRide, harmed_ride, lost_rows

RATE_HZ = 32  # eight meters at 4 Hz
SECONDS = 40
P99_MS = 10.0


@contextmanager
def two_rides(folder: Path, *words: str) -> Iterator[tuple[HarmedRide, HarmedRide]]:
    """A recorder, and beside it a process that only ticks: how late anything is on this machine just now."""
    rate = ("--rate", str(RATE_HZ))
    with harmed_ride(folder, *rate, *words) as ride, harmed_ride(folder, *rate, "--bare") as bare:
        yield ride, bare


def compared(ride: HarmedRide, bare: HarmedRide, first: int) -> str:
    """In words; the recorder may be late by `P99_MS` where the machine itself is in time."""
    (p99_ms, most_ms), (bare_ms, _) = _percentiles(ride.late_ns[first:]), _percentiles(bare.late_ns)
    assert p99_ms < P99_MS + bare_ms
    return f"late by {p99_ms:.1f} ms (p99), {most_ms:.1f} at most; a process that only ticks {bare_ms:.1f} ms (p99)"


def _percentiles(late_ns: list[int]) -> tuple[float, float]:
    late_ms = [ns / 1e6 for ns in late_ns]
    return statistics.quantiles(late_ms, n=100)[98], max(late_ms)


@pytest.mark.slow
def test_stamps_are_in_time_while_the_recorder_itself_syncs_and_computes(tmp_path: Path, tell: Tell) -> None:
    with two_rides(tmp_path / "rides", "--deciding") as (ride, bare):
        ride.until_rows(SECONDS * RATE_HZ)
        measured = compared(ride, bare, RATE_HZ)
        assert ride.end() == 0
    assert ride.summary is not None
    assert lost_rows(Path(ride.summary["recording"]), ride.acknowledged) == 0
    tell(41, "syncs each second and verdicts each two, in threads", "nothing", measured)


@pytest.mark.slow
def test_stamps_are_in_time_while_another_program_finishes_and_judges_rides(tmp_path: Path, tell: Tell) -> None:
    script = (
        "import sys; from pathlib import Path; from recorder.compose import recover_path;"
        "from recorder.storage import SystemStorage; from tests.riding import Journal; folder = Path(sys.argv[1]);"
        "Journal(100_000).end().put(folder); print(recover_path(folder, SystemStorage()).recovered[0].rows)"
    )
    folder = tmp_path / "other"
    folder.mkdir()
    with two_rides(tmp_path / "rides") as (ride, bare):
        ride.until_rows(RATE_HZ)
        before = len(ride.late_ns)
        words = [sys.executable, "-c", script, str(folder)]
        found = subprocess.run(words, cwd=ROOT, capture_output=True, check=True, text=True)
        judged = [sys.executable, "-m", "analysis", "report", str(next(folder.glob("*.parquet"))), "--json"]
        subprocess.run(judged, cwd=ROOT, capture_output=True, check=True)
        measured = compared(ride, bare, before)
        assert ride.end() == 0
    assert int(found.stdout) == 100_000
    tell(41, "another program makes a Parquet file of 100,000 rows and judges it", "nothing", measured)
