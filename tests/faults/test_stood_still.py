"""A recorder that was stopped for a while: what came meanwhile is there, and known to be dated wrongly."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

import pytest

from analysis.recording_reader import read_recording
from analysis.rows import Event
from analysis.untimed import burst_spans, host_spans
from tests.faults.conftest import Tell
from tests.program_on_air import RATE_HZ, program_on_air
from tests.riding import number_in, table_of

LATE_NS = 250_000_000


async def stopped_ride(folder: Path, seconds: float) -> Path:
    """The program on simulated air, stopped amid a ride while its meter goes on notifying."""
    silent = asyncio.subprocess.DEVNULL
    async with program_on_air(folder, sent=RATE_HZ, stdout=silent, stderr=silent) as on_air:
        on_air.process.send_signal(signal.SIGSTOP)
        await asyncio.sleep(seconds)
        on_air.process.send_signal(signal.SIGCONT)
        await asyncio.sleep(2.0)
        on_air.process.send_signal(signal.SIGTERM)
        assert await on_air.process.wait() == 0
    (recording,) = (folder / "rides").glob("*.parquet")
    return recording


@pytest.mark.parametrize("seconds", [1.5, pytest.param(8.0, marks=pytest.mark.slow)])
async def test_nothing_is_lost_and_every_late_stamp_lies_in_a_stretch_that_is_told(
    tmp_path: Path, seconds: float, tell: Tell
) -> None:
    path = await stopped_ride(tmp_path, seconds)
    rows = [(number_in(row["payload"]), row["host_ns"]) for row in table_of(path) if row["characteristic"] == "2a63"]
    assert [number for number, _ in rows] == list(range(rows[0][0], rows[0][0] + len(rows)))
    # Relative to the packet that came soonest after it was sent.
    lags_ns = [host_ns - number * 10**9 // RATE_HZ for number, host_ns in rows]
    late_ns = [host_ns for (_, host_ns), lag_ns in zip(rows, lags_ns, strict=True) if lag_ns - min(lags_ns) > LATE_NS]
    assert len(late_ns) > (seconds - 1) * RATE_HZ
    recording = read_recording(path)
    still = [row for row in recording.events if row.event == Event.HOST_STOOD_STILL]
    longest_s = max(row.detail["still_s"] for row in still)
    assert seconds - 0.3 < longest_s
    spans = [*host_spans(recording.events), *burst_spans(recording.samples["Alder"], recording.events)]
    unflagged = [ns for ns in late_ns if not any(start <= ns <= stop for start, stop in spans)]
    assert unflagged == []
    tell(
        20,
        f"SIGSTOP for {seconds:g} s, the meter going on at {RATE_HZ} Hz",
        f"the recorder stood still for {longest_s:.1f} s",
        f"0 of {len(rows)} rows lost; {len(late_ns)} stamps late by more than 250 ms, 0 of them not flagged",
    )
