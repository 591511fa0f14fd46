"""Records as a file gives them, in any order, put on one strictly rising time; knows no file format."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.errors import BadRideFile
from analysis.ride_files.record_payload import RANGES, Raw, columns_of, encode_record, raw_of
from analysis.ride_files.ride_file import Kind
from analysis.samples import Floats, Ints

# At one a second this is more than two days.
MOST_RECORDS = 200_000
# No ride has a hole this long: either the device's clock was set in between, or these are two rides.
LONGEST_HOLE_NS = 12 * 3600 * 10**9
LONGEST_RIDE_NS = 4 * 24 * 3600 * 10**9
# Steps this close to the usual one count as even; with fewer than this share of them a file is called uneven.
EVEN_WITHIN, EVEN_SHARE, FEWEST_STEPS = 0.2, 0.8, 20
ABSURD_POWER_W = 3000
_SHOWN = {
    "power_w": "power",
    "cadence_rpm": "cadence",
    "balance_left_pct": "balance",
    "speed_kmh": "speed",
    "temperature_c": "temperature",
}


@dataclass(frozen=True, eq=False)
class Records:
    """As in `RideFile`, and what was odd."""

    time_ns: Ints
    payloads: tuple[bytes, ...]
    columns: dict[str, Floats]
    balance_reference: str | None
    spacing_s: float
    uneven: bool
    remarks: tuple[str, ...]


class RecordCollector:
    """`where` names the file in errors."""

    def __init__(self, kind: Kind, where: str) -> None:
        self.kind: Kind = kind
        self.where = where
        self._times_ns: list[int] = []
        self._payloads: list[bytes] = []
        self._without_time = 0

    def __len__(self) -> int:
        return len(self._times_ns)

    @property
    def last_ns(self) -> int | None:
        return self._times_ns[-1] if self._times_ns else None

    def add(self, time_ns: int | None, raw: Raw) -> None:
        """:raises BadRideFile: for more records than any ride has."""
        if time_ns is None:
            self._without_time += 1
        else:
            self._times_ns.append(time_ns)
            self._payloads.append(encode_record(self.kind, raw))
        if len(self._times_ns) + self._without_time > MOST_RECORDS:
            raise BadRideFile(f"{self.where} has more than {MOST_RECORDS:,} records, which no ride has; cut it first")

    def finish(self) -> Records:
        """:raises BadRideFile: where no record has a time and a value, or they span more than any ride."""
        if not self._times_ns:
            raise BadRideFile(f"{self.where} holds no record with a time; there is no ride in it")
        remarks = _counted(self._without_time, "without a time", "left out")
        times_ns = np.array(self._times_ns, np.int64)
        backwards = int(np.count_nonzero(times_ns < np.maximum.accumulate(times_ns)))
        remarks += _counted(backwards, "earlier than the one before", "put in order")
        order = np.argsort(times_ns, kind="stable")
        times_ns, payloads = times_ns[order], [self._payloads[i] for i in order]
        kept, words = self._longest_part(times_ns)
        remarks += words
        times_ns, payloads, twice = self._joined(times_ns[kept], payloads[kept])
        remarks += _counted(twice, "of a moment that had one already", "joined, the later value counts")
        columns, reference, odd = _columns(payloads)
        remarks += odd
        if not any(name in columns for name in ("power_w", "cadence_rpm", "temperature_c")):
            raise BadRideFile(f"{self.where} holds no power, cadence or temperature; there is nothing to import")
        spacing_s, uneven = _spacing(times_ns)
        return Records(times_ns, tuple(payloads), columns, reference, spacing_s, uneven, tuple(remarks))

    def _longest_part(self, times_ns: Ints) -> tuple[slice, list[str]]:
        cuts = [0, *(np.flatnonzero(np.diff(times_ns) > LONGEST_HOLE_NS) + 1).tolist(), len(times_ns)]
        first, last = max(pairwise(cuts), key=lambda part: part[1] - part[0])
        if int(times_ns[last - 1]) - int(times_ns[first]) > LONGEST_RIDE_NS:
            raise BadRideFile(f"the times in {self.where} span more than four days, which no ride does; cut it first")
        left_out = len(times_ns) - (last - first)
        why = "left out: the clock was set in between, or it is another ride"
        return slice(first, last), _counted(left_out, "more than 12 hours away from the rest", why)

    def _joined(self, times_ns: Ints, payloads: list[bytes]) -> tuple[Ints, list[bytes], int]:
        first_of = np.concatenate(([True], np.diff(times_ns) > 0))
        if first_of.all():
            return times_ns, payloads, 0
        joined: list[bytes] = []
        for is_first, payload in zip(first_of.tolist(), payloads, strict=True):
            if is_first:
                joined.append(payload)
            else:
                fields = {**raw_of(joined[-1]), **raw_of(payload)}
                del fields["kind"]
                joined[-1] = encode_record(self.kind, fields)
        return times_ns[first_of], joined, len(payloads) - len(joined)


def _columns(payloads: list[bytes]) -> tuple[dict[str, Floats], str | None, list[str]]:
    values = {name: np.full(len(payloads), np.nan) for name in RANGES}
    references: Counter[str] = Counter()
    odd: Counter[str] = Counter()
    for place, payload in enumerate(payloads):
        found, wrong = columns_of(raw_of(payload))
        odd.update(wrong)
        for name, value in found.items():
            if name == "balance_reference":
                references[str(value)] += 1
            else:
                values[name][place] = value
    columns = {name: column for name, column in values.items() if np.isfinite(column).any()}
    remarks = []
    for name, count in odd.items():
        remarks += _counted(count, f"whose {_SHOWN[name]} is no possible value", "taken as missing")
    greatest = float(np.nanmax(columns["power_w"])) if "power_w" in columns else 0.0
    if greatest > ABSURD_POWER_W:
        over = int(np.count_nonzero(columns["power_w"] > ABSURD_POWER_W))
        remarks.append(f"{over} powers above {ABSURD_POWER_W} W, up to {greatest:.0f} W: kept, but look at them")
    if len(references) > 1:
        remarks.append("the side of the balance is stated in some records only; it is taken as not stated")
    side = None if not references else next(iter(references)) if len(references) == 1 else "unknown"
    return columns, side, remarks


def _spacing(times_ns: Ints) -> tuple[float, bool]:
    if len(times_ns) < 2:
        return float("nan"), False
    steps_s = np.diff(times_ns) / 1e9
    usual_s = float(np.median(steps_s))
    even = np.abs(steps_s - usual_s) <= EVEN_WITHIN * usual_s
    return usual_s, even.size >= FEWEST_STEPS and bool(np.mean(even) < EVEN_SHARE)


def _counted(count: int, which: str, what: str) -> list[str]:
    if not count:
        return []
    return [f"{count} {'record' if count == 1 else 'records'} {which}: {what}"]
