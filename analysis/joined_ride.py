"""Several recordings of one session as one ride: each put behind the last by its wall clock, segments renumbered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.errors import BadInput
from analysis.recording_reader import LONGEST_NS, Recording
from analysis.rows import Row
from analysis.safe_text import safe_text
from analysis.samples import SensorSamples, Series, empty_series


def joined_ride(recordings: Sequence[Recording]) -> Recording:
    """One recording as it is; several in order of their start, which must not overlap.

    Between them lies a gap, as long as their wall clocks say: nothing is judged across it that needs more than that.

    :raises BadInput: for benches that differ, rides that overlap, or one that was amended.
    """
    if len(recordings) == 1:
        return recordings[0]
    first, *others = sorted(recordings, key=_start_utc_ns)
    joined = first
    for number, following in enumerate(others, 2):
        name = safe_text(str(following.path), 200)
        if following.bench.meter != first.bench.meter or following.bench.drivetrain != first.bench.drivetrain:
            raise BadInput(f"{name} was ridden with another bench; judge it by itself.")
        if any(r.amendments is not None for r in (joined, following)):
            raise BadInput("a recording with amendments can only be judged by itself.")
        offset_ns = _start_utc_ns(following) - _start_utc_ns(first)
        if offset_ns < joined.end_ns:
            raise BadInput(f"{name} begins before the one ahead of it has ended; recording {number} does not follow.")
        if offset_ns + following.end_ns > LONGEST_NS:
            raise BadInput(f"{name} was ridden more than a week after the first; judge it by itself.")
        joined = _append(joined, following, offset_ns)
    return joined


def _start_utc_ns(recording: Recording) -> int:
    if not recording.metadata.utc_anchors:
        raise BadInput(f"{safe_text(str(recording.path), 200)} does not tell when it began; judge it by itself.")
    host_ns, utc_ns = recording.metadata.utc_anchors[0]
    return utc_ns - host_ns


def _append(ride: Recording, following: Recording, offset_ns: int) -> Recording:
    taken = max((int(row.detail.get("segment_no", 0)) for row in ride.events), default=0)
    events = tuple(_moved(row, offset_ns, taken) for row in following.events)
    names = dict.fromkeys([*ride.samples, *following.samples])
    samples = {n: _chained(ride.samples.get(n), following.samples.get(n), offset_ns) for n in names}
    return replace(ride, samples=samples, events=ride.events + events, end_ns=offset_ns + following.end_ns)


def _moved(row: Row, offset_ns: int, taken: int) -> Row:
    detail: Mapping[str, object] = row.detail
    if "segment_no" in detail:
        detail = {**row.detail, "segment_no": int(row.detail["segment_no"]) + taken}
    return replace(row, host_ns=row.host_ns + offset_ns, detail=detail)


def _chained(before: SensorSamples | None, after: SensorSamples | None, offset_ns: int) -> SensorSamples:
    earlier = before or SensorSamples(after.sensor if after is not None else "")
    later = after or SensorSamples(earlier.sensor)
    return SensorSamples(
        sensor=earlier.sensor,
        power_w=_follow(earlier.power_w, later.power_w, offset_ns),
        cadence_rpm=_follow(earlier.cadence_rpm, later.cadence_rpm, offset_ns),
        balance_left_pct=_follow(earlier.balance_left_pct, later.balance_left_pct, offset_ns),
        balance_reference=later.balance_reference or earlier.balance_reference,
        temperature_c=_follow(earlier.temperature_c, later.temperature_c, offset_ns),
        battery_pct=_follow(earlier.battery_pct, later.battery_pct, offset_ns),
        torque_packets=_all_follow(earlier.torque_packets, later.torque_packets, offset_ns),
        crank_packets=_all_follow(earlier.crank_packets, later.crank_packets, offset_ns),
        arrivals_ns=np.concatenate((earlier.arrivals_ns, later.arrivals_ns + offset_ns)),
        hold_s=later.hold_s or earlier.hold_s,
        untimed_ns=np.concatenate((earlier.untimed_ns, later.untimed_ns + offset_ns)),
    )


def _all_follow(before: Mapping[str, Series], after: Mapping[str, Series], offset_ns: int) -> dict[str, Series]:
    none = empty_series()
    names = dict.fromkeys([*before, *after])
    return {n: _follow(before.get(n, none), after.get(n, none), offset_ns) for n in names}


def _follow(before: Series, after: Series, offset_ns: int) -> Series:
    return Series(
        np.concatenate((before.host_ns, after.host_ns + offset_ns)), np.concatenate((before.values, after.values))
    )
