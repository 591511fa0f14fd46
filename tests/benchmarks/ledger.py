"""What a ledger costs: 1,000 and 100,000 rides of 3 meters and 6 segments, from their results.

`python -m tests.benchmarks.ledger [RIDES ...]` prints for each size the time of every question, its ratio to reading
the columns it needs from the index with nothing else done, and the memory of the process. Medians of five runs, the
renewal of the index and the adjustment once; absolute times are this machine's only.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.adjustment import adjust
from analysis.ledger.compare_rides import compare_rides, known_rides
from analysis.ledger.ledger_folder import INDEX, RESULTS, open_ledger
from analysis.ledger.ledger_index import ROWS_PER_GROUP
from analysis.ledger.network import network
from analysis.ledger.results_schema import FIELDS, METER, RIDE, SCHEMA, SEGMENT
from analysis.ledger.unit_history import unit_history
from analysis.ledger.unit_rides import _COMPARED, _OWN, _STEPS, known_units
from recorder.host_clock import SystemClock
from tests.ledger_rides import DAY_NS, START_NS, Against, digest_of, made_results

RUNS = 5
UNITS = 60
MOST_ADJUSTED = 1000
SEGMENTS = 6
LATE = 40
CLOCK = SystemClock()


def say(words: str) -> None:
    sys.stdout.write(f"{words}\n")


def seconds(work: Callable[[], object]) -> float:
    began_ns = CLOCK.now_ns()
    work()
    return (CLOCK.now_ns() - began_ns) / 1e9


def median_s(work: Callable[[], object]) -> float:
    return statistics.median(seconds(work) for _ in range(RUNS))


def table_of(kind: str, ride: Any, columns: Mapping[str, object]) -> pa.Table:
    """Rows of one kind for these ride numbers; a tenth of the usual columns is left null, as in life."""
    sessions = [f"{n:032x}" for n in range(int(ride.max()) + 1)]
    known: dict[str, object] = {
        "row": pa.array([kind] * len(ride)),
        "session": pa.array(sessions).take(pa.array(ride)),
        "sha256": pa.array([digest_of(s) for s in sessions]).take(pa.array(ride)),
        "recording": pa.array([f"ride-{s}.parquet" for s in sessions]).take(pa.array(ride)),
        "start_utc_ns": START_NS + ride * (DAY_NS // 40),
        "length_s": np.full(len(ride), 3600.0),
        "bench": pa.array(["Quayside bench"] * len(ride)),
        "clean": pa.array([True] * len(ride)),
        **columns,
    }
    arrays = [
        pa.array(known[name], kind_)
        if name in known and not isinstance(known[name], pa.Array)
        else known[name]
        if name in known
        else pa.nulls(len(ride), kind_)
        for name, kind_ in FIELDS.items()
    ]
    return pa.table(arrays, schema=SCHEMA)


def compared(rng: np.random.Generator, ride: Any, place: Any) -> dict[str, object]:
    """Columns of meters: the first of each ride is the reference; units meet in changing threes."""
    names = pa.array([f"unit-{n}" for n in range(UNITS)])
    unit = (ride * 7 + place * (1 + ride % 11)) % UNITS
    is_reference = place == 0
    firmware = pa.array(["1.0", "2.0"]).take(pa.array((ride > ride.max() // 2).astype(np.int64)))
    away = np.where(is_reference, np.nan, 0.3 * rng.standard_normal(len(ride)))
    half = np.where(is_reference, np.nan, 0.2)
    reference = pa.array((ride * 7) % UNITS, mask=is_reference)
    return {
        "meter": names.take(pa.array(unit)),
        "unit": names.take(pa.array(unit)),
        "reference": names.take(reference),
        "reference_unit": names.take(reference),
        "firmware": firmware,
        "reference_firmware": firmware,
        "place": pa.array(["pedals", "spider", "trainer"]).take(pa.array(place)),
        "reference_place": pa.array(["pedals"] * len(ride)),
        "claim_pct": np.full(len(ride), 1.0),
        "away_pct": pa.array(away, mask=is_reference),
        "away_half_width_pct": pa.array(half, mask=is_reference),
        "difference_pct": pa.array(away, mask=is_reference),
        "tolerance_pct": np.full(len(ride), 1.5),
        "mean_power_w": 200 + rng.standard_normal(len(ride)),
        "mean_torque_nm": 21 + 4 * rng.standard_normal(len(ride)),
        "mean_cadence_rpm": 88 + rng.standard_normal(len(ride)),
        "verdict": pa.array(["agrees"] * len(ride), mask=is_reference),
    }


def make(place: Path, rides: int) -> None:
    """An index as `ledger add` would have left it, and one file of results for each ride, never to be opened."""
    folder = open_ledger(str(place), make=True)
    rng = np.random.default_rng(1)
    ride = np.arange(rides)
    meters, which = np.repeat(ride, 3), np.tile(np.arange(3), rides)
    steps, step = np.repeat(meters, SEGMENTS), np.tile(np.arange(SEGMENTS), 3 * rides)
    segment = {
        "segment_no": step + 1,
        "segment": pa.array([f"steady {n}" for n in range(SEGMENTS)]).take(pa.array(step)),
        "repeat_no": np.ones(len(step), np.int64),
        "step_kind": pa.array(["steady"] * len(step)),
        "too_short": pa.array([False] * len(step)),
    }
    battery = {"battery_first_pct": 100 - meters % 50.0, "battery_last_pct": 99 - meters % 50.0}
    with folder.writing(), pq.ParquetWriter(place / INDEX, SCHEMA, compression="zstd") as out:
        for kind, rows, more in (
            (METER, meters, {**compared(rng, meters, which), **battery}),
            (RIDE, ride, {"meters": np.full(rides, 3)}),
            (SEGMENT, steps, {**compared(rng, steps, np.repeat(which, SEGMENTS)), **segment}),
        ):
            table = table_of(kind, rows, more)
            order = [(name, "ascending") for name in ("unit", "start_utc_ns", "session")]
            out.write_table(table.sort_by(order), row_group_size=ROWS_PER_GROUP)
        for n in range(rides):
            (place / RESULTS / f"{digest_of(f'{n:032x}')}.parquet").touch()


def columns_alone(place: Path, columns: Sequence[str]) -> Callable[[], object]:
    return lambda: pq.read_table(place / INDEX, columns=list(dict.fromkeys(columns)), use_threads=False)


def ask(place: Path, rides: int) -> None:
    folder = open_ledger(str(place))
    listed = ["session", "sha256", "recording", "start_utc_ns", "length_s", "bench", "plan", "drivetrain"]
    shown = [*_OWN, *_COMPARED, *_STEPS]
    a, b = f"{rides // 2:032x}", f"{rides // 2 + UNITS:032x}"
    questions: dict[str, tuple[Callable[[], object], Sequence[str]]] = {
        "names of the files": (folder.keys, ["sha256"]),
        "list": (lambda: known_rides(folder.snapshot()), listed),
        "units": (lambda: known_units(folder.snapshot()), ["unit"]),
        "show UNIT": (lambda: unit_history(folder.snapshot(), "unit-7"), shown),
        "compare A B": (lambda: compare_rides(folder.snapshot(), a, b), shown),
    }
    for question, (work, columns) in questions.items():
        took_s, alone_s = median_s(work), median_s(columns_alone(place, columns))
        say(f"  {question:<20}{took_s:8.3f} s   {took_s / alone_s:6.1f} × its columns alone")


def renew(place: Path) -> None:
    folder = open_ledger(str(place))
    with folder.writing():
        for n in range(LATE):
            new = f"late{n}"
            folder.put_results(digest_of(new), made_results(new, 9e3, "unit-1", [Against("unit-2", [0.1] * 6)]))
        say(f"  {'list, 40 beside':<20}{median_s(lambda: known_rides(folder.snapshot())):8.3f} s")
        say(f"  {'renew the index':<20}{seconds(lambda: folder.write_index(folder.snapshot())):8.3f} s")


def network_of_all(place: Path) -> None:
    began_ns = CLOCK.now_ns()
    rides = network(open_ledger(str(place)).snapshot())
    if len(rides) < 2:
        raise ValueError("the rides were not made as an adjustment needs them")
    say(f"  {'gather for adjust':<20}{(CLOCK.now_ns() - began_ns) / 1e9:8.3f} s")
    say(f"  {'adjust':<20}{seconds(lambda: adjust(rides)):8.3f} s")


def step(name: str, place: Path, rides: int) -> None:
    """One part in a process of its own, so that its memory is its own."""
    if name == "make":
        make(place, rides)
        return
    if name == "ask":
        ask(place, rides)
    elif name == "renew":
        renew(place)
    else:
        network_of_all(place)
    say(f"  {'':<20}{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:8.0f} MB at most for the above")


def main() -> None:
    if len(sys.argv) == 4:
        step(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))
        return
    for size in [int(word) for word in sys.argv[1:]] or [1000, 100_000]:
        with tempfile.TemporaryDirectory() as place:
            for name in ("make", "ask", "renew", *(["adjust"] if size <= MOST_ADJUSTED else [])):
                command = [sys.executable, "-m", "tests.benchmarks.ledger", name, place, str(size)]
                subprocess.run(command, check=True)
                if name == "make":
                    megabytes = (Path(place) / INDEX).stat().st_size / 1e6
                    rows = size * (1 + 3 + 3 * SEGMENTS)
                    say(f"\n{size} rides, {rows} rows, index {megabytes:.1f} MB")


if __name__ == "__main__":
    main()
