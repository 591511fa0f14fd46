"""Rides of several devices as files, and a bench for them; powers that move enough for clocks to be found."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from analysis.samples import Floats
from tests.fit_files import UTC_S, fit_of

BENCH = """
[bench]
name = "Quayside bench"
reference = "Alder"

[[meter]]
name = "Alder"
unit = "alder-1"
place = "pedals"
sides = "both"
claim_pct = 1.0
serial = "0042"
address = "F0:00:00:00:00:01"

[[meter]]
name = "Birch"
unit = "birch-1"
place = "spider"
claim_pct = 1.5
address = "F0:00:00:00:00:02"

[[meter]]
name = "Cedar"
unit = "cedar-1"
place = "trainer"
claim_pct = 1.0
address = "F0:00:00:00:00:03"

[[sensor]]
name = "Elm"
kind = "cadence"
address = "F0:00:00:00:00:05"
"""


def write_bench(folder: Path) -> Path:
    path = folder / "bench.toml"
    path.write_text(BENCH)
    return path


def uneven_power(seconds: int, seed: int = 1) -> tuple[Floats, Floats]:
    """Watts and rpm of each second: efforts of 10 to 90 s, now and then a coast, and noise of the rider."""
    rng = np.random.default_rng(seed)
    power: list[Floats] = []
    cadence: list[Floats] = []
    while sum(p.size for p in power) < seconds:
        length = int(rng.integers(10, 90))
        watts = 0.0 if rng.random() < 0.15 else float(rng.uniform(120, 420))
        power.append(np.where(watts > 0, watts * (1 + 0.08 * rng.standard_normal(length)), 0.0))
        cadence.append(np.full(length, 0.0 if watts == 0 else float(rng.uniform(75, 98))))
    return np.concatenate(power)[:seconds], np.concatenate(cadence)[:seconds]


def meter_of(power_w: Floats, scale: float, seed: int, missing: float = 0.01) -> Floats:
    """What a meter reads of it: its scale, 1 % of noise, and some seconds missing (nan)."""
    rng = np.random.default_rng(seed)
    read = np.rint(power_w * scale * (1 + 0.01 * rng.standard_normal(power_w.size)))
    read[rng.random(power_w.size) < missing] = np.nan
    return read


def write_fit(path: Path, power_w: Floats, cadence_rpm: Floats, start_s: int = UTC_S, **more: object) -> Path:
    path.write_bytes(fit_of(power_w, start_s, cadence_rpm, **more))
    return path


def write_csv(path: Path, time_s: Iterable[float], power_w: Iterable[float]) -> Path:
    rows = [f"{t:.3f},{w:.0f}" for t, w in zip(time_s, power_w, strict=True) if not np.isnan(w)]
    path.write_text("\n".join(["t,w", *rows]) + "\n")
    return path
