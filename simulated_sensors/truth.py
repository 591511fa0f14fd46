"""What was really ridden and which errors each meter was given, to be kept beside a simulated ride."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from analysis.errors import BadInput
from analysis.safe_text import safe_path
from simulated_sensors.ride import Ride, Span
from simulated_sensors.simulated_meter import SimulatedMeter


def mean_true_power_w(ride: Ride, start_s: float, end_s: float, *, behind_chain: bool = False) -> float:
    """Mean over [start_s, end_s), at the crank or behind the chain."""
    return ride.mean_power_w(start_s, end_s, behind_chain=behind_chain)


def mean_reported_w(meter: SimulatedMeter, start_s: float, end_s: float) -> float:
    """Mean over [start_s, end_s) of what the unit says, each value held until the next, before it is rounded."""
    said = meter.measurement
    held_j = np.concatenate(([0.0], np.cumsum(said.power_w[:-1] * np.diff(said.at_s))))
    start_j, end_j = np.interp([start_s, end_s], said.at_s, held_j)
    return float(end_j - start_j) / (end_s - start_s)


def truth(ride: Ride, meters: Sequence[SimulatedMeter]) -> dict[str, Any]:
    """Fit for JSON: the steps as ridden, power each second, and every sensor's errors and faults."""
    plan_s = int(ride.plan_s)
    seconds_j = ride.work_j(np.arange(plan_s + 1.0))
    return {
        "drivetrain": asdict(ride.drivetrain),
        "steps": [_step(ride, span) for span in ride.spans],
        "power_w_each_second": np.diff(seconds_j).round(2).tolist(),
        "sensors": {meter.name: _sensor(ride, meter) for meter in meters},
    }


def write_truth(path: Path, ride: Ride, meters: Sequence[SimulatedMeter]) -> None:
    """:raises BadInput: where the file cannot be written."""
    try:
        path.write_text(json.dumps(truth(ride, meters)))
    except OSError as fault:
        raise BadInput(f"the truth cannot be written to {safe_path(path)}: {fault.strerror}") from fault


def _step(ride: Ride, span: Span) -> dict[str, Any]:
    bounds_s = np.array([span.start_s, span.end_s])
    seconds = span.end_s - span.start_s
    turns, work_j, left_j = (float(np.diff(f(bounds_s))[0]) for f in (ride.turns, ride.work_j, ride.left_work_j))
    return {
        **asdict(span),
        "power_w": work_j / seconds,
        "power_behind_chain_w": mean_true_power_w(ride, span.start_s, span.end_s, behind_chain=True),
        "cadence_rpm": 60 * turns / seconds,
        "left_share_pct": 100 * left_j / work_j if work_j > 0 else None,
    }


def _sensor(ride: Ride, meter: SimulatedMeter) -> dict[str, Any]:
    spec = meter.spec
    told: dict[str, Any] = {
        "kind": spec.kind,
        "address": spec.address,
        "faults": [{"fault": type(fault).__name__, **asdict(fault)} for fault in spec.faults],
    }
    if spec.kind == "meter":
        told["errors"] = asdict(spec.model)
        told["reported_w_by_step"] = [mean_reported_w(meter, span.start_s, span.end_s) for span in ride.spans]
    return told
