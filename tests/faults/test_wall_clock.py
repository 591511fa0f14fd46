"""A wall clock that jumps or runs fast while a ride is recorded: the axis of the recording takes no notice."""

from __future__ import annotations

import time
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.recording_reader import read_metadata
from analysis.rows import Event
from tests.faults.conftest import Tell
from tests.faults.harmed_rides import events, harmed_ride, lost_rows
from tests.riding import table_of

LIBRARY = next(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"), None)
RATE_HZ = 50
JUMPS = {"an hour ahead": "+3600", "30 s back": "-30", "10 % fast": "+0 x1.1"}


@pytest.mark.skipif(LIBRARY is None, reason="libfaketime is not installed here")
@pytest.mark.parametrize(
    "jump", ["an hour ahead", *(pytest.param(jump, marks=pytest.mark.slow) for jump in ("30 s back", "10 % fast"))]
)
def test_the_axis_of_the_recording_takes_no_notice(tmp_path: Path, jump: str, tell: Tell) -> None:
    told_time = tmp_path / "time"
    told_time.write_text("+0\n")
    environment = {
        "LD_PRELOAD": str(LIBRARY),
        "FAKETIME_TIMESTAMP_FILE": str(told_time),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    with harmed_ride(tmp_path / "rides", environment=environment) as ride:
        began_s = ride.until_rows(RATE_HZ)
        told_time.write_text(f"{JUMPS[jump]}\n")
        ended_s = ride.until_rows(3 * RATE_HZ)
        assert ride.end() == 0
        assert [words for words in ride.words if "disk" not in words] == []  # a busy machine's disk may be slow
    assert ride.summary is not None
    recording = Path(ride.summary["recording"])
    assert lost_rows(recording, ride.acknowledged) == 0
    rows = [row["host_ns"] for row in table_of(recording) if row["row_kind"] == "notification"]
    axis_s = (rows[3 * RATE_HZ - 1] - rows[RATE_HZ - 1]) / 1e9
    # Against the clock of this process, which nobody has touched.
    assert axis_s == pytest.approx(ended_s - began_s, abs=0.5)
    assert all(before <= after for before, after in pairwise(rows))
    assert events(recording, Event.SUSPENDED) == []
    (first_host_ns, first_utc_ns), *_, (last_host_ns, last_utc_ns) = read_metadata(recording).utc_anchors
    stepped_s = ((last_utc_ns - first_utc_ns) - (last_host_ns - first_host_ns)) / 1e9
    expected_s = float(JUMPS[jump].split()[0])
    assert stepped_s == pytest.approx(expected_s, abs=2.0)
    assert abs(first_utc_ns / 1e9 - time.time()) < 3600
    tell(
        22,
        f"libfaketime: {jump}",
        "nothing",
        f"axis {axis_s:.2f} s of {ended_s - began_s:.2f}; pairs tell {stepped_s:+.1f} s",
    )
