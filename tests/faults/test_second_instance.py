"""A second recorder in the folder of a running one."""

from __future__ import annotations

import time
from pathlib import Path

from tests.faults.conftest import Tell
from tests.faults.harmed_rides import harmed_ride, lost_rows, started


def test_a_second_recorder_is_refused_and_the_first_loses_nothing(tmp_path: Path, tell: Tell) -> None:
    with harmed_ride(tmp_path) as ride:
        began_s = time.monotonic()
        second = started(tmp_path)
        assert second.wait() == 2
        took_s = time.monotonic() - began_s
        (words,) = second.words
        assert f"is being recorded into by process {ride.pid}" in words
        ride.until_rows(ride.acknowledged + 10)
        assert ride.end() == 0
    (recording,) = tmp_path.iterdir()
    assert lost_rows(recording, ride.acknowledged) == 0
    tell(
        17, "the same folder", "... is being recorded into by process PID", f"0 rows lost; refused in {took_s:.1f} s"
    )
