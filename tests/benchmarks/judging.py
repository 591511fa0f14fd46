"""What a report costs, from file to all figures: 8 meters for 3 h at 4 Hz.

`python -m tests.benchmarks.judging` prints CPU time as a ratio to reading the needed columns alone, and to the pandas
script a user would write, and the memory taken. Medians over the runs; absolute times are this machine's only.
"""

from __future__ import annotations

import math
import random
import resource
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from analysis.characteristics.registry import DECODER_VERSION
from analysis.judge import judge_recording
from analysis.recording_reader import read_recording
from analysis.recording_schema import SCHEMA_MAJOR, SCHEMA_MINOR, Finish, Metadata
from analysis.rows import Event, Row
from recorder.host_clock import process_cpu_ns
from recorder.recording_writer import write_recording
from recorder.storage import SystemStorage

RUNS = 5
METERS = 8
HOURS = 3
RATE_HZ = 4
STEP_S = 300
NEEDED = ["host_ns", "sensor", "characteristic", "power_w", "cadence_rpm"]


def names() -> list[str]:
    return [f"meter {n + 1}" for n in range(METERS)]


def rows() -> Iterator[Row]:
    """Power with slow wander, each meter with its own scale; crank data at 90 rpm; a segment every five minutes."""
    chance = random.Random(1)
    true_w, segment = 200.0, 0
    for tick in range(HOURS * 3600 * RATE_HZ):
        host_ns = tick * 10**9 // RATE_HZ
        if tick % (STEP_S * RATE_HZ) == 0:
            if segment:
                yield Row(
                    host_ns, "event", event=Event.SEGMENT_END, detail={"segment_no": segment, "ended_by": "plan"}
                )
            segment += 1
            detail = {"segment_no": segment, "name": f"steady {segment}", "step_kind": "steady", "settle_s": 10}
            yield Row(host_ns, "event", event=Event.SEGMENT_START, detail=detail)
        target_w = 200 + 60 * math.sin(tick / 900)
        true_w += (target_w - true_w) / 40 + chance.gauss(0, 2)
        revolutions = tick * 3 // 8
        for number, name in enumerate(names()):
            watts = round(true_w * (1 + 0.002 * number) + chance.gauss(0, 2))
            body = (
                b"\x20\x00"
                + watts.to_bytes(2, "little", signed=True)
                + (revolutions % 65536).to_bytes(2, "little")
                + (revolutions * 2048 // 3 % 65536).to_bytes(2, "little")
            )
            yield Row(host_ns + number * 1000, "notification", name, "2a63", body)


def make(path: Path) -> int:
    bench = {
        "bench": {"name": "benchmark"},
        "meter": [
            {"name": name, "place": "pedals" if n % 2 else "trainer", "claim_pct": 1.0, "match": {"name": name}}
            for n, name in enumerate(names())
        ],
    }
    metadata = Metadata(
        schema_major=SCHEMA_MAJOR,
        schema_minor=SCHEMA_MINOR,
        decoder_version=DECODER_VERSION,
        product_version="0",
        session_id="benchmark",
        host="benchmark",
        clock="none",
        utc_anchors=((0, 0),),
        bench=bench,
        finish=Finish(clean=True, reason="plan"),
    )
    ride = list(rows())
    write_recording(path, ride, metadata, SystemStorage())
    return len(ride)


def columns_alone(path: Path) -> object:
    return pq.read_table(path, columns=NEEDED)


def all_figures(path: Path) -> object:
    return judge_recording(read_recording(path))


def pandas_script(path: Path) -> object:
    """What a user would write: one grid second at a time, a rolling mean, a difference per segment."""
    ride = pd.read_parquet(path)
    events = ride[ride["event"] == Event.SEGMENT_START]
    power = ride.dropna(subset=["power_w"]).copy()
    power["time"] = pd.to_datetime(power["host_ns"])
    grid = {}
    for name, part in power.groupby("sensor", observed=True):
        grid[name] = part.set_index("time")["power_w"].resample("1s").mean().ffill(limit=2)
    wide = pd.DataFrame(grid)
    starts = pd.to_datetime(events["host_ns"])
    found = []
    for start in starts:
        part = wide[(wide.index >= start) & (wide.index < start + pd.Timedelta(seconds=STEP_S))]
        base = part.iloc[:, 1]
        for name in part.columns:
            difference = part[name] - base
            chance = np.random.default_rng(1)
            means = [difference.sample(len(difference), replace=True, random_state=chance).mean() for _ in range(50)]
            found.append(
                (name, difference.mean(), np.percentile(means, [2.5, 97.5]), part[name].rolling(30).mean().max())
            )
    return found


def cost_s(work: Callable[[Path], object], path: Path, runs: int) -> float:
    costs = []
    for _ in range(runs):
        began_ns = process_cpu_ns()
        work(path)
        costs.append((process_cpu_ns() - began_ns) / 1e9)
    return statistics.median(costs)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ride.parquet"
        began_ns = process_cpu_ns()
        count = make(path)
        made_s = (process_cpu_ns() - began_ns) / 1e9
        all_figures(path)
        peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        read_s = cost_s(columns_alone, path, RUNS)
        figures_s = cost_s(all_figures, path, RUNS)
        script_s = cost_s(pandas_script, path, 1)
        sys.stdout.write(
            f"{METERS} meters × {HOURS} h at {RATE_HZ} Hz: {count} rows, "
            f"{path.stat().st_size / count:.1f} bytes each\n"
            f"making and verifying the file  {made_s:7.2f} s\n"
            f"reading the columns alone      {1000 * read_s:7.0f} ms   1\n"
            f"all figures of the report      {1000 * figures_s:7.0f} ms   {figures_s / read_s:.1f}\n"
            f"pandas script, 50 resamples    {1000 * script_s:7.0f} ms   {script_s / read_s:.0f}\n"
            f"memory at its peak, with the making of the file: {peak_mib:.0f} MiB\n"
        )


if __name__ == "__main__":
    main()
