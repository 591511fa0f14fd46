"""All rides of a ledger as one network: what each says for the adjustment that compares units through common ones."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from analysis.bench_file import BEHIND_CHAIN
from analysis.bench_model import MountedMeter, Reading, RideObservations, SegmentReadings
from analysis.comparison import APART, ASSUMED_CLAIM_PCT
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.results_schema import METER, RIDE, SEGMENT
from analysis.mean_interval import student_t
from analysis.tolerance import ChainLoss

_RIDE = ("session", "start_utc_ns", "drivetrain", "loss_pct", "loss_sd_pct", "drag_nm", "drag_sd_nm")
_METER = ("session", "start_utc_ns", "meter", "unit", "place", "claim_pct", "sides", "firmware", "reference")
_STEP = (
    *("session", "segment_no", "segment", "step_kind", "meter", "reference", "mean_power_w", "mean_cadence_rpm"),
    *("mean_torque_nm", "difference_pct", "away_half_width_pct", "expected_ratio", "too_short"),
    *("sides", "left_share_pct", "balance_reference"),
)
Rows = Sequence[Mapping[str, Any]]


def network(snapshot: Snapshot) -> list[RideObservations]:
    """In order of time; rides in which nothing could be compared are left out.

    A meter without a unit is one of its ride alone. A ride that does not tell a firmware has the one told before.
    """
    rides = sorted(snapshot.rows(RIDE, _RIDE).to_pylist(), key=lambda r: (r["start_utc_ns"] or 0, r["session"]))
    meters, steps = _by_session(snapshot, METER, _METER), _by_session(snapshot, SEGMENT, _STEP)
    firmware: dict[str, str] = {}
    found = []
    for ride in rides:
        mounted = [_mounted(row, firmware) for row in meters[ride["session"]]]
        told = _observations(ride, mounted, meters[ride["session"]], steps[ride["session"]])
        found += [told] if told is not None else []
    return found


def _by_session(snapshot: Snapshot, kind: str, columns: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    table = snapshot.rows(kind, columns)
    names = table.column_names
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for values in zip(*(table[name].to_pylist() for name in names), strict=True):
        found[values[0]].append(dict(zip(names, values, strict=True)))
    return found


def _mounted(row: Mapping[str, Any], firmware: dict[str, str]) -> MountedMeter:
    unit = row["unit"] or f"{row['meter']} in {row['session'][:12]}"
    firmware[unit] = row["firmware"] or firmware.get(unit, "")
    claim = ASSUMED_CLAIM_PCT if row["claim_pct"] is None else row["claim_pct"]
    doubles: Literal["", "left", "right"] = row["sides"] if row["sides"] in ("left", "right") else ""
    return MountedMeter(row["meter"], unit, row["place"] in BEHIND_CHAIN, claim, firmware[unit], doubles)


def _observations(
    ride: Mapping[str, Any], mounted: Sequence[MountedMeter], meters: Rows, steps: Rows
) -> RideObservations | None:
    reference = next((row["reference"] for row in meters if row["reference"]), None)
    by_segment: dict[int, list[Mapping[str, Any]]] = defaultdict(list)
    for step in steps:
        if step["step_kind"] not in APART:
            by_segment[step["segment_no"]].append(step)
    segments = [s for rows in by_segment.values() if (s := _segment(rows, reference)) is not None]
    heard = {name for s in segments for name in s.readings} | {reference}
    if reference is None or not segments:
        return None
    chain = ChainLoss(*(ride[name] or 0.0 for name in ("loss_pct", "loss_sd_pct", "drag_nm", "drag_sd_nm")))
    used = tuple(m for m in mounted if m.name in heard)
    return RideObservations(ride["session"], reference, used, tuple(segments), chain, ride["drivetrain"])


def _segment(rows: Rows, reference: str | None) -> SegmentReadings | None:
    told = {row["meter"]: reading for row in rows if (reading := _reading(row)) is not None}
    if not told:
        return None
    shares = (row["left_share_pct"] for row in rows if (row["sides"], row["balance_reference"]) == ("both", "left"))
    share = next((float(s) for s in shares if s is not None and s > 0), math.nan)
    return SegmentReadings(rows[0]["segment"], _torque_nm(rows, reference), told, share)


def _reading(row: Mapping[str, Any]) -> Reading | None:
    difference, half = row["difference_pct"], row["away_half_width_pct"]
    if difference is None or half is None or row["too_short"] or difference <= -100:
        return None
    # Kept is the half-width of what remains of the difference after the chain, which is the wider by the ratio.
    sd = half * (row["expected_ratio"] or 1.0) / student_t(0.975, math.inf)
    return Reading(difference, sd**2)


def _torque_nm(rows: Rows, reference: str | None) -> float:
    base = next((row for row in rows if row["meter"] == reference), None)
    if base is None:
        return math.nan
    if (base["mean_torque_nm"] or 0.0) > 0:
        return float(base["mean_torque_nm"])
    cadence = next((row["mean_cadence_rpm"] for row in rows if (row["mean_cadence_rpm"] or 0.0) > 0), math.nan)
    return (math.nan if base["mean_power_w"] is None else base["mean_power_w"]) * 30 / (math.pi * cadence)
