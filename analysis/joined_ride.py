"""Several recordings of one session as one ride: each put behind the last by its wall clock, segments renumbered."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from analysis.amendments import Amendments, amended
from analysis.errors import BadInput
from analysis.recording_reader import LONGEST_NS, Recording
from analysis.rows import Row
from analysis.safe_text import safe_text
from analysis.samples import SensorSamples, Series, empty_series
from analysis.segments import Segment, segment_number, segments_from_events, whole_ride


@dataclass(frozen=True)
class Part:
    """One file of a ride: it began `offset_ns` into it, and its segment 1 is number 1 + `numbers_before` there."""

    recording: Recording
    offset_ns: int = 0
    numbers_before: int = 0

    @property
    def stop_ns(self) -> int:
        return self.offset_ns + self.recording.end_ns

    @property
    def name(self) -> str:
        return safe_text(self.recording.path.name, 120)

    @property
    def last_number(self) -> int:
        """The highest number of a segment in this file, whether recorded or added afterwards; 0 without any."""
        recorded = (segment_number(row) for row in self.recording.events)
        return max([0, *(n for n in recorded if n is not None), *(s.segment_no for s in _as_amended(self.recording))])

    def placed(self, segments: Sequence[Segment]) -> tuple[Segment, ...]:
        """Segments of the file where they lie in the ride, with the numbers that they have there."""
        return tuple(
            replace(
                s,
                segment_no=s.segment_no + self.numbers_before,
                start_ns=s.start_ns + self.offset_ns,
                stop_ns=s.stop_ns + self.offset_ns,
            )
            for s in segments
        )


@dataclass(frozen=True)
class JoinedRide(Recording):
    """Path, metadata and bench are those of the first file. `amendments` is None: each of the parts has its own."""

    parts: tuple[Part, ...] = ()

    @property
    def segments(self) -> tuple[Segment, ...]:
        return self._marked(_as_amended)

    @property
    def recorded_segments(self) -> tuple[Segment, ...]:
        return self._marked(_as_recorded)

    @property
    def decoded_again(self) -> bool:
        return any(part.recording.decoded_again for part in self.parts)

    def _marked(self, of: Callable[[Recording], tuple[Segment, ...]]) -> tuple[Segment, ...]:
        found = [s for part in self.parts for s in part.placed(of(part.recording))]
        return tuple(sorted(found, key=lambda s: (s.start_ns, s.segment_no))) or (whole_ride(self.end_ns),)


def ride_parts(ride: Recording) -> tuple[Part, ...]:
    """The files of a ride in order of time: one, unless it was joined from several."""
    return ride.parts if isinstance(ride, JoinedRide) else (Part(ride),)


def ride_amendments(ride: Recording) -> tuple[tuple[Part, Amendments], ...]:
    """Of every file that has any; empty where nothing was amended."""
    return tuple((p, found) for p in ride_parts(ride) if (found := p.recording.amendments) is not None)


def recorded_share(ride: Recording) -> float:
    """How much of the time of the ride was recorded: less than 1 only where nothing was between its files."""
    return sum(part.recording.end_ns for part in ride_parts(ride)) / ride.end_ns if ride.end_ns > 0 else 1.0


def joined_ride(recordings: Sequence[Recording]) -> Recording:
    """One recording as it is; several in order of their start, which must not overlap.

    Between them lies a gap, as long as their wall clocks say: nothing is judged across it that needs more than that.

    :raises BadInput: for benches that differ, rides that overlap, or amendments that do not fit their file.
    """
    if len(recordings) == 1:
        return recordings[0]
    first, *others = sorted(recordings, key=_start_utc_ns)
    parts = [Part(first)]
    for number, following in enumerate(others, 2):
        name = safe_text(str(following.path), 200)
        if _judged_by(following) != _judged_by(first):
            raise BadInput(f"{name} was ridden with another bench; judge it by itself.")
        offset_ns = _start_utc_ns(following) - _start_utc_ns(first)
        if offset_ns < parts[-1].stop_ns:
            raise BadInput(f"{name} begins before the one ahead of it has ended; recording {number} does not follow.")
        if offset_ns + following.end_ns > LONGEST_NS:
            raise BadInput(f"{name} was ridden more than a week after the first; judge it by itself.")
        parts.append(Part(following, offset_ns, parts[-1].numbers_before + parts[-1].last_number))
    return _joined(parts)


def _judged_by(recording: Recording) -> tuple[object, ...]:
    """What of the bench a judgement rests on; its name may change, and a thermometer may come along."""
    bench = recording.bench
    return bench.meter, bench.drivetrain, msgspec.structs.replace(bench.bench, name="")


def _start_utc_ns(recording: Recording) -> int:
    if not recording.metadata.utc_anchors:
        raise BadInput(f"{safe_text(str(recording.path), 200)} does not tell when it began; judge it by itself.")
    host_ns, utc_ns = recording.metadata.utc_anchors[0]
    return utc_ns - host_ns


def _joined(parts: Sequence[Part]) -> JoinedRide:
    first = parts[0].recording
    samples = dict(first.samples)
    for part in parts[1:]:
        for name, later in part.recording.samples.items():
            samples[name] = _chained(samples.get(name) or SensorSamples(name), later, part.offset_ns)
    return JoinedRide(
        path=first.path,
        metadata=first.metadata,
        bench=first.bench,
        samples=samples,
        events=tuple(_moved(row, part) for part in parts for row in part.recording.events),
        end_ns=parts[-1].stop_ns,
        parts=tuple(parts),
    )


def _as_recorded(recording: Recording) -> tuple[Segment, ...]:
    """A segment that was never ended ends with its own file."""
    return segments_from_events(recording.events, recording.end_ns)


def _as_amended(recording: Recording) -> tuple[Segment, ...]:
    marked, amendments = _as_recorded(recording), recording.amendments
    return marked if amendments is None else amended(marked, amendments, recording.end_ns)


def _moved(row: Row, part: Part) -> Row:
    number = segment_number(row)
    detail = row.detail if number is None else {**row.detail, "segment_no": number + part.numbers_before}
    return msgspec.structs.replace(row, host_ns=row.host_ns + part.offset_ns, detail=detail)


def _chained(earlier: SensorSamples, later: SensorSamples, offset_ns: int) -> SensorSamples:
    return SensorSamples(
        sensor=earlier.sensor,
        power_w=_follow(earlier.power_w, later.power_w, offset_ns),
        cadence_rpm=_follow(earlier.cadence_rpm, later.cadence_rpm, offset_ns),
        balance_left_pct=_follow(earlier.balance_left_pct, later.balance_left_pct, offset_ns),
        balance_reference=later.balance_reference or earlier.balance_reference,
        temperature_c=_follow(earlier.temperature_c, later.temperature_c, offset_ns),
        battery_pct=_follow(earlier.battery_pct, later.battery_pct, offset_ns),
        torque_packets=_all_follow(earlier.torque_packets, later.torque_packets, offset_ns),
        crank_packets=_all_follow(_cut_off(earlier.crank_packets, offset_ns), later.crank_packets, offset_ns),
        arrivals_ns=np.concatenate((earlier.arrivals_ns, later.arrivals_ns + offset_ns)),
        hold_s=later.hold_s or earlier.hold_s,
        untimed_ns=np.concatenate((earlier.untimed_ns, later.untimed_ns + offset_ns)),
    )


def _cut_off(packets: Mapping[str, Series], at_ns: int) -> Mapping[str, Series]:
    """With a row behind that counts half a turn at no known rate, so that no turn reaches across to the next file.

    A crank that stood still between two files counts on as if nothing had been between them.
    """
    if not packets or not len(packets["crank_revolutions"]):
        return packets
    half_on = packets["crank_revolutions"].values[-1] + 0.5
    seam = {"crank_revolutions": half_on, "cadence_rpm": np.nan}
    return {
        name: Series(np.append(series.host_ns, at_ns), np.append(series.values, seam.get(name, np.nan)))
        for name, series in packets.items()
    }


def _all_follow(before: Mapping[str, Series], after: Mapping[str, Series], offset_ns: int) -> dict[str, Series]:
    none = empty_series()
    names = dict.fromkeys([*before, *after])
    return {n: _follow(before.get(n, none), after.get(n, none), offset_ns) for n in names}


def _follow(before: Series, after: Series, offset_ns: int) -> Series:
    return Series(
        np.concatenate((before.host_ns, after.host_ns + offset_ns)), np.concatenate((before.values, after.values))
    )
