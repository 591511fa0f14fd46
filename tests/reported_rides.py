"""Rides for tests of reports: recordings made directly from numbers, without radio, recorder or waiting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from analysis.bench_file import Bench, bench_from_dict
from analysis.characteristics.registry import DECODER_VERSION
from analysis.recording_reader import Recording
from analysis.recording_schema import SCHEMA_MAJOR, SCHEMA_MINOR, Finish, Metadata
from analysis.rows import Event, Row
from analysis.samples import Floats, SensorSamples, Series

S = 1_000_000_000
PLACES = {
    "Alder": {"place": "pedals", "sides": "both", "claim_pct": 1.0},
    "Birch": {"place": "spider", "sides": "inferred", "claim_pct": 1.5},
    "Cedar": {"place": "trainer", "sides": "total", "claim_pct": 1.0},
    "Dogwood": {"place": "crank", "sides": "left", "claim_pct": 2.0},
    "Elder": {"place": "hub", "sides": "total", "claim_pct": 1.5},
}
SCALES = {"Alder": 1.0, "Birch": 0.997, "Cedar": 0.94, "Dogwood": 0.967, "Elder": 0.975}
SPRINT = (("easy", "free", 110.0), ("sprint", "sprint", 750.0), ("easy again", "free", 110.0))
STEPS = (("warm-up", "warm-up", 130.0), *((f"steady {w}", "steady", float(w)) for w in (150, 200, 250, 210)))


def bench_of(meters: Sequence[str], name: str = "Quayside bench") -> Bench:
    tables = [
        {"name": m, "address": f"F0:00:00:00:00:{n:02d}", **PLACES.get(m, PLACES["Birch"])}
        for n, m in enumerate(meters, 1)
    ]
    return bench_from_dict({"bench": {"name": name, "reference": meters[0]}, "meter": tables})


def samples_of(name: str, power_w: Floats, rate_hz: float, from_s: float = 0.0) -> SensorSamples:
    host_ns = np.rint((from_s + np.arange(len(power_w)) / rate_hz) * S).astype(np.int64)
    power = Series(host_ns, power_w)
    cadence = Series(host_ns, np.where(power_w > 0, 88.0, 0.0))
    balance = Series(host_ns, np.full(len(host_ns), 48.5)) if name == "Alder" else Series(host_ns[:0], power_w[:0])
    return SensorSamples(
        name,
        power_w=power,
        cadence_rpm=cadence,
        balance_left_pct=balance,
        balance_reference="left",
        arrivals_ns=host_ns,
    )


def steps_w(step_s: int, steps: Sequence[tuple[str, str, float]] = STEPS) -> Floats:
    return np.repeat([watts for _, _, watts in steps], step_s).astype(float)


def segment_events(step_s: int, steps: Sequence[tuple[str, str, float]] = STEPS) -> list[Row]:
    rows = []
    for n, (name, kind, watts) in enumerate(steps):
        start = {"segment_no": n + 1, "name": name, "step_kind": kind, "settle_s": 5.0, "target_w": watts}
        rows.append(Row(n * step_s * S, "event", event=Event.SEGMENT_START, detail=start))
        end = {"segment_no": n + 1, "ended_by": "plan"}
        rows.append(Row((n + 1) * step_s * S, "event", event=Event.SEGMENT_END, detail=end))
    return rows


def recording_of(
    folder: Path,
    bench: Bench,
    samples: Mapping[str, SensorSamples],
    events: Sequence[Row],
    end_s: float,
    **metadata: Any,
) -> Recording:
    """The file itself holds a few bytes only: reports take from it nothing but its hash and name."""
    path = folder / "ride.parquet"
    path.write_bytes(b"bytes of a ride")
    known: dict[str, Any] = {
        "schema_major": SCHEMA_MAJOR,
        "schema_minor": SCHEMA_MINOR,
        "decoder_version": DECODER_VERSION,
        "product_version": "0.1.0",
        "session_id": "0" * 32,
        "host": "bench laptop",
        "clock": "CLOCK_BOOTTIME",
        "utc_anchors": ((0, 1_795_615_031 * S),),
        "bench": bench.as_dict(),
        "finish": Finish(clean=True, reason="plan"),
        **metadata,
    }
    return Recording(path, Metadata(**known), bench, samples, tuple(events), round(end_s * S))


def stepped_ride(
    folder: Path,
    meters: Sequence[str] = ("Alder", "Birch", "Cedar"),
    step_s: int = 70,
    steps: Sequence[tuple[str, str, float]] = STEPS,
    **metadata: Any,
) -> Recording:
    """Five steps, each meter with its scale, 1 % of white noise and 1 Hz."""
    noise = np.random.default_rng(1)
    true_w = steps_w(step_s, steps)
    samples = {
        m: samples_of(m, np.round(true_w * SCALES.get(m, 1.0) * (1 + 0.01 * noise.standard_normal(len(true_w)))), 1)
        for m in meters
    }
    return recording_of(folder, bench_of(meters), samples, segment_events(step_s, steps), len(true_w), **metadata)
