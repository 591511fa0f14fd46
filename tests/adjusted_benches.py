"""Benches for tests of the adjustment: rides made from chosen errors, with or without scatter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.bench_model import MountedMeter, Reading, RideObservations, SegmentReadings
from analysis.tolerance import ChainLoss

# Ten steps between 120 and 300 W and 60 and 105 rpm.
POWER_W = (120, 150, 200, 200, 250, 250, 300, 300, 180, 220)
CADENCE_RPM = (60, 95, 65, 105, 62, 100, 70, 90, 60, 85)


def meter(name: str, epoch: str = "", *, behind: bool = False, claim_pct: float = 1.0) -> MountedMeter:
    return MountedMeter(name, name.lower(), behind, claim_pct, epoch)


@dataclass(frozen=True)
class Truth:
    """What is wrong with each meter, by name; nothing where not said. `stray_pct`: sd of each reading."""

    scale_pct: Mapping[str, float] = field(default_factory=dict)
    offset_nm: Mapping[str, float] = field(default_factory=dict)
    loss_pct: float = 2.5
    drag_nm: float = 0.0
    stray_pct: float = 0.0


def ridden(
    meters: Sequence[MountedMeter],
    truth: Truth,
    *,
    ride: str = "ride",
    seed: int = 0,
    chain: ChainLoss | None = None,
    chain_id: str | None = None,
    variance_pct2: float = 0.04,
) -> RideObservations:
    """The first meter is the reference."""
    rng = np.random.default_rng(seed)
    segments = []
    for number, (power_w, cadence_rpm) in enumerate(zip(POWER_W, CADENCE_RPM, strict=True)):
        angular = cadence_rpm * math.pi / 30
        read = {}
        for m in meters:
            drag_w = truth.drag_nm * angular
            at_sensor = power_w * (1 - truth.loss_pct / 100) - drag_w if m.behind_chain else power_w
            scale = 1 + truth.scale_pct.get(m.name, 0.0) / 100 + truth.stray_pct / 100 * rng.standard_normal()
            read[m.name] = at_sensor * scale + truth.offset_nm.get(m.name, 0.0) * angular
        base = read.pop(meters[0].name)
        readings = {name: Reading(100 * (watts / base - 1), variance_pct2) for name, watts in read.items()}
        segments.append(SegmentReadings(f"step {number + 1}", power_w / angular, readings))
    return RideObservations(ride, meters[0].name, tuple(meters), tuple(segments), chain or ChainLoss(), chain_id)
