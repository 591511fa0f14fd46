"""Knows whether a sensor's reported power is the one that its own accumulated torque and event times give."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.event_rates import EventRate, torque_power_w
from analysis.mean_interval import prewhitened_interval, ratio_series
from analysis.samples import Floats, Ints, SensorSamples, Series
from analysis.segments import Segment

Source = Literal["crank", "wheel"]

TORQUE_UNITS_PER_NM = 32
_TICKS_PER_S: dict[Source, int] = {"crank": 1024, "wheel": 2048}
_COUNT_BITS: dict[Source, int] = {"crank": 16, "wheel": 32}
_MOST_REVS_PER_S: dict[Source, float] = {"crank": 4.0, "wheel": 16.0}  # 240 rpm; some 120 km/h
# The torque counter is known up to ±1024 N·m, so over this time a power below 2.1 kW is certain.
LONGEST_S = 3.0


@dataclass(frozen=True)
class PacketCheck:
    """Reported minus counted power over the same turns of one segment; counted: P = 2π·ΔT/Δt. Intervals at 95 %."""

    sensor: str
    segment_no: int
    source: Source | None = None
    turns: int = 0
    seconds: float = 0.0
    reported_w: float = math.nan
    counted_w: float = math.nan
    difference_w: float = math.nan
    difference_pct: float = math.nan
    half_width_w: float = math.inf
    half_width_pct: float = math.inf
    why_not: str = ""


@dataclass(frozen=True)
class _Turns:
    """One element per stretch of turns between two packets that told of a new event."""

    base_ns: Ints
    told_ns: Ints
    turns: Ints
    seconds: Floats
    counted_w: Floats
    reported_w: Floats


def packet_check(
    samples: SensorSamples, segments: Iterable[Segment], new_links_ns: Sequence[int] = ()
) -> tuple[PacketCheck, ...]:
    """One result per segment. `new_links_ns`: when links began, for counters do not reach across them."""
    packets = samples.torque_packets
    source = _source(packets)
    if source is None:
        why_not = "not sent" if not packets else "torque is sent without crank or wheel event times"
        return tuple(PacketCheck(samples.sensor, s.segment_no, why_not=why_not) for s in segments)
    turns = _turns(packets, source, new_links_ns)
    return tuple(_check(samples.sensor, s, source, turns) for s in segments)


def _source(packets: Mapping[str, Series]) -> Source | None:
    """Torque moves only with the events that it is summed by, and sensors may send both kinds."""
    sent = [s for s in _TICKS_PER_S if packets and np.isfinite(packets[f"{s}_event_s"].values).any()]
    if len(sent) == 2:
        still = np.diff(packets["crank_revolutions"].values) == 0
        moved = np.diff(packets["accumulated_torque_nm"].values) != 0
        return "wheel" if np.any(still & moved) else "crank"
    return sent[0] if sent else None


def _turns(packets: Mapping[str, Series], source: Source, new_links_ns: Sequence[int]) -> _Turns:
    told, revolutions, event_s = (
        packets["accumulated_torque_nm"],
        packets[f"{source}_revolutions"].values,
        packets[f"{source}_event_s"].values,
    )
    known = np.isfinite(revolutions) & np.isfinite(event_s) & np.isfinite(packets["power_w"].values)
    link = np.searchsorted(np.sort(np.asarray(new_links_ns, np.int64)), told.host_ns[known], side="right")
    rows = zip(
        told.host_ns[known].tolist(),
        revolutions[known].astype(np.int64).tolist(),
        np.rint(event_s[known] * _TICKS_PER_S[source]).astype(np.int64).tolist(),
        np.rint(told.values[known] * TORQUE_UNITS_PER_NM).astype(np.int64).tolist(),
        packets["power_w"].values[known].tolist(),
        link.tolist(),
        strict=True,
    )
    found = np.array(list(_stretches(rows, source)), np.float64).reshape(-1, 6)
    whole = found[:, :3].astype(np.int64)
    return _Turns(whole[:, 0], whole[:, 1], whole[:, 2], found[:, 3], found[:, 4], found[:, 5])


def _stretches(
    rows: Iterable[tuple[int, int, int, int, float, int]], source: Source
) -> Iterable[tuple[int, int, int, float, float, float]]:
    """Rows of host_ns, revolutions, ticks, raw torque, power and link number into the columns of `_Turns`."""
    ticks_per_s = _TICKS_PER_S[source]
    events = EventRate(ticks_per_s, _COUNT_BITS[source], _MOST_REVS_PER_S[source])
    base_ns, base_torque, base_revolutions, last_link, piece = 0, 0, -1, 0, -1
    for host_ns, revolutions, ticks, torque, power_w, link in rows:
        if link != last_link:
            events.restart()
        update = events.update(host_ns, revolutions, ticks)
        if update.piece == piece and update.revolutions_delta > 0 and 0 < update.event_delta_s <= LONGEST_S:
            passed = round(update.event_delta_s * ticks_per_s)
            counted_w = torque_power_w(torque - base_torque, passed, ticks_per_s)
            yield base_ns, host_ns, update.revolutions_delta, update.event_delta_s, counted_w, power_w
        if update.piece != piece or revolutions != base_revolutions:
            base_ns, base_torque, base_revolutions = host_ns, torque, revolutions
        last_link, piece = link, update.piece


def _check(sensor: str, segment: Segment, source: Source, turns: _Turns) -> PacketCheck:
    inside = (turns.base_ns >= segment.judged_from_ns) & (turns.told_ns < segment.stop_ns)
    seconds = turns.seconds[inside]
    if not seconds.size:
        return PacketCheck(sensor, segment.segment_no, source, why_not="no two events whose distance is certain")
    reported_j, counted_j = turns.reported_w[inside] * seconds, turns.counted_w[inside] * seconds
    in_all_s = float(seconds.sum())
    reported_w, counted_w = float(reported_j.sum()) / in_all_s, float(counted_j.sum()) / in_all_s
    series = ratio_series(reported_j, counted_j)
    interval = prewhitened_interval(series.residual_pct + series.difference_pct)
    why_not = ""
    if not counted_w > 0:
        why_not = "the torque adds up to no power"
    elif interval.too_short:
        why_not = f"{in_all_s:.0f} s of turns are too short to tell"
    return PacketCheck(
        sensor,
        segment.segment_no,
        source,
        int(turns.turns[inside].sum()),
        in_all_s,
        reported_w,
        counted_w,
        reported_w - counted_w,
        series.difference_pct,
        interval.half_width * counted_w / 100 if counted_w > 0 else math.inf,
        interval.half_width,
        why_not,
    )
