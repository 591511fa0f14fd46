"""What it costs to watch a ride: 8 meters at 4 Hz after 3 h, a snapshot twice a second.

`python -m tests.benchmarks.live` prints CPU time as a share of one core, in parts, and as a ratio to the pandas
script that a user would write for the table of segments. Absolute times are this machine's only.
"""

from __future__ import annotations

import statistics
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from analysis.bench_file import bench_from_dict
from analysis.meter_signal import bench_signals
from analysis.row_samples import SampleGatherer
from analysis.rows import Event, Row
from recorder.control_words import Tell
from recorder.host_clock import process_cpu_ns
from recorder.live_window import JournalFollower, LiveWindow
from recorder.snapshot_maker import SnapshotMaker
from tests.benchmarks.judging import METERS, STEP_S, names, rows
from tests.riding import plan_of

S = 1_000_000_000
REFRESH_S = 0.5
WATCHED_S = 330  # with the end of one segment in it
SCRIPT_RUNS = 3
RESAMPLES = 50


def told(now_s: float) -> Tell:
    bench: dict[str, object] = {
        "bench": {"name": "benchmark"},
        "meter": [
            {"name": name, "place": "pedals" if n % 2 else "trainer", "claim_pct": 1.0, "match": {"name": name}}
            for n, name in enumerate(names())
        ],
    }
    plan = plan_of('name = "steady"\nkind = "steady"\nseconds = 300\ntarget_w = 200\nrepeat = 36').as_dict()
    return Tell(now_s, (), bench, plan, 35, False, 0.0, 100.0, (), (), ())


def cpu_s(work: Callable[[], object]) -> float:
    began_ns = process_cpu_ns()
    work()
    return (process_cpu_ns() - began_ns) / 1e9


def batches(late: Sequence[Row], from_s: float) -> Iterator[tuple[float, list[Row]]]:
    """What comes between one refresh and the next, with the instant of the refresh."""
    place, now_s = 0, from_s
    while place < len(late):
        now_s += REFRESH_S
        first = place
        while place < len(late) and late[place].host_ns < now_s * S:
            place += 1
        yield now_s, list(late[first:place])


def pandas_script(readings: Sequence[tuple[int, str, float]], starts: pd.Series, resamples: int) -> Any:
    """From the list of readings a grid of seconds, and of each segment every meter against the first.

    All is made anew at each refresh; where `resamples` is above 0, with intervals by so many draws.
    """
    power = pd.DataFrame(readings, columns=["host_ns", "sensor", "power_w"])
    power["time"] = pd.to_datetime(power["host_ns"])
    grid = {}
    for name, part in power.groupby("sensor"):
        grid[name] = part.set_index("time")["power_w"].resample("1s").mean().ffill(limit=2)
    wide = pd.DataFrame(grid)
    found = []
    for start in starts:
        part = wide[(wide.index >= start) & (wide.index < start + pd.Timedelta(seconds=STEP_S))]
        difference = part.sub(part.iloc[:, 0], axis=0)
        chance = np.random.default_rng(1)
        draws = [difference.sample(frac=1.0, replace=True, random_state=chance).mean() for _ in range(resamples)]
        found.append((difference.mean(), draws, part.mean(), part.rolling(30).mean().max()))
    return found


def readings_of(gatherer: SampleGatherer) -> list[tuple[int, str, float]]:
    found = [
        (int(host_ns), name, float(power_w))
        for name, samples in gatherer.samples().items()
        for host_ns, power_w in zip(samples.power_w.host_ns, samples.power_w.values, strict=True)
    ]
    return sorted(found)


def main() -> None:
    ride = list(rows())
    from_s = ride[-1].host_ns / S - WATCHED_S
    early = [row for row in ride if row.host_ns < from_s * S]
    window, maker = LiveWindow(JournalFollower(list)), SnapshotMaker()
    gathered_s = cpu_s(lambda: window.take(early))
    first_s = cpu_s(lambda: maker.snapshot(window.gatherer, told(from_s), round(from_s * S)))
    taken, shown = [], []
    for now_s, came in batches(ride[len(early) :], from_s):
        taken.append(cpu_s(lambda came=came: window.take(came)))  # type: ignore[misc]
        tell, now_ns = told(now_s), round(now_s * S)
        shown.append(cpu_s(lambda tell=tell, now_ns=now_ns: maker.snapshot(window.gatherer, tell, now_ns)))  # type: ignore[misc]
    passed_s = len(shown) * REFRESH_S
    readings = readings_of(window.gatherer)
    starts = pd.Series(pd.to_datetime([row.host_ns for row in ride if row.event == Event.SEGMENT_START]))
    script_s = statistics.median(cpu_s(lambda: pandas_script(readings, starts, 0)) for _ in range(SCRIPT_RUNS))
    resampled_s = cpu_s(lambda: pandas_script(readings, starts, RESAMPLES))
    bench = bench_from_dict(told(0.0).bench)
    whole_s = cpu_s(lambda: bench_signals(bench, window.gatherer.samples()))
    each_s = statistics.mean(shown)
    sys.stdout.write(
        f"{METERS} meters at 4 Hz after {ride[-1].host_ns / S / 3600:.1f} h, segments of {STEP_S} s, "
        f"a snapshot each {REFRESH_S} s for {passed_s:.0f} s\n"
        f"decoding and gathering      {100 * sum(taken) / passed_s:5.2f} % of a core"
        f"   ({1e6 * gathered_s / len(early):.1f} µs a row)\n"
        f"figures and snapshots       {100 * sum(shown) / passed_s:5.2f} % of a core"
        f"   (median {1000 * statistics.median(shown):.1f}, longest {1000 * max(shown):.0f} ms;"
        f" the first of all {1000 * first_s:.0f} ms)\n"
        f"together                    {100 * (sum(taken) + sum(shown)) / passed_s:5.2f} % of a core\n"
        f"whole signals, built once   {1000 * whole_s:5.1f} ms\n"
        f"pandas script, one refresh  {1000 * script_s:5.0f} ms   {script_s / each_s:.0f} × a snapshot in the mean\n"
        f"  with {RESAMPLES} resamples         {1000 * resampled_s:5.0f} ms   {resampled_s / each_s:.0f} ×\n"
    )


if __name__ == "__main__":
    main()
