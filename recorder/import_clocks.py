"""Puts the clock of every ride file on that of the reference: by what both recorded, or by a stated offset."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from analysis.clock_alignment import Alignment, Track, align_clocks
from analysis.errors import BadInput
from analysis.ride_files.ride_file import RideFile
from analysis.samples import Floats, Ints

Align = Callable[..., Alignment]
LARGEST_OFFSET_S = 1e10
LITTLE_COMMON_S = 900.0


@dataclass(frozen=True, eq=False)
class PlacedClock:
    """One file's clock against the reference's. Device times go in as ns, reference times come out as ns.

    `base_s`: what the first records of both are apart where both clocks count alike (both UTC, or neither); then
    `offset_s` is what has to be added to the device's times. Else, `from_first`, it counts from the first records.
    `alignment` is None for the reference and for a stated offset.
    """

    reference: str
    method: Literal["reference", "correlation", "stated"]
    own_start_ns: int
    reference_start_ns: int
    offset_s: float
    base_s: float
    from_first: bool
    alignment: Alignment | None = None

    def to_reference_ns(self, time_ns: Ints) -> Ints:
        if self.method == "reference":
            return time_ns
        own_s = (time_ns - self.own_start_ns) / 1e9
        return np.rint(self._moved(own_s) * 1e9).astype(np.int64) + self.reference_start_ns

    def _moved(self, own_s: Floats) -> Floats:
        if self.alignment is not None:
            return self.alignment.to_reference(own_s)
        return np.asarray(own_s + self.offset_s - self.base_s, np.float64)

    @property
    def half_width_s(self) -> float:
        return self.alignment.offset_half_width_s if self.alignment is not None else math.nan

    @property
    def remark(self) -> str:
        return self.alignment.words if self.alignment is not None else ""

    def as_dict(self) -> dict[str, Any]:
        """For the metadata; None for what is not known. Window times count from the first record of the file."""
        found: dict[str, Any] = {
            "reference": self.reference,
            "method": self.method,
            "offset_s": self.offset_s,
            "offset_half_width_s": _known(self.half_width_s),
            "drift_ppm": None,
            "drift_half_width_ppm": None,
            "counted_from": "first records" if self.from_first else "clocks",
            "holds": "clock offset and lag of the meter together",
        }
        if self.alignment is not None:
            if self.alignment.drift_half_width_ppm is not None:
                found["drift_ppm"] = self.alignment.drift_ppm
                found["drift_half_width_ppm"] = self.alignment.drift_half_width_ppm
            found["epoch_s"] = self.alignment.epoch_s
            found["jumps"] = [{"at_s": jump.at_s, "by_s": jump.by_s} for jump in self.alignment.jumps]
            found["remark"] = self.remark
            found["windows"] = [
                {
                    "centre_s": w.centre_s,
                    "offset_s": w.offset_s + self.base_s,
                    "correlation": _known(w.correlation),
                    "used": w.used,
                }
                for w in self.alignment.windows
                if math.isfinite(w.offset_s)
            ]
        return found


def place_clocks(
    files: Mapping[str, RideFile], reference: str, stated_s: Mapping[str, float], align: Align = align_clocks
) -> dict[str, PlacedClock]:
    """By stream. `stated_s`: seconds to add to a device's times, instead of an estimate.

    :raises BadInput: where the recorded power does not carry an offset, or a stated one leaves nothing in common.
    """
    base = files[reference]
    placed = {}
    for name, file in files.items():
        from_first = file.utc_known != base.utc_known
        base_s = 0.0 if from_first else (base.start_ns - file.start_ns) / 1e9
        start = (file.start_ns, base.start_ns)
        if name == reference:
            placed[name] = PlacedClock(reference, "reference", *start, 0.0, 0.0, from_first=False)
        elif name in stated_s:
            placed[name] = PlacedClock(reference, "stated", *start, stated_s[name], base_s, from_first)
            _refuse_apart(name, placed[name], file, base, reference)
        else:
            found = _aligned(name, file, base, reference, align)
            placed[name] = PlacedClock(
                reference, "correlation", *start, found.offset_s + base_s, base_s, from_first, found
            )
    return placed


def _aligned(name: str, file: RideFile, base: RideFile, reference: str, align: Align) -> Alignment:
    guess_s = (file.start_ns - base.start_ns) / 1e9 if file.utc_known and base.utc_known else None
    found = align(track_of(base), track_of(file), guess_s=guess_s)
    if not found.carried and guess_s is not None:
        # A clock may be whole hours off, local time given as UTC: what both recorded is sought wherever it fits.
        found = max((found, align(track_of(base), track_of(file))), key=lambda a: a.carried)
    if not found.carried:
        raise BadInput(
            f"the clock of {name}'s file could not be put on that of {reference}: {found.words} "
            f"(--offset {name}=SECONDS, added to its times){_common_words(file, base)}"
        )
    return found


def _common_words(file: RideFile, base: RideFile) -> str:
    """What two clocks that say UTC tell by themselves, where that is too little to go by."""
    common_s = (min(file.stop_ns, base.stop_ns) - max(file.start_ns, base.start_ns)) / 1e9
    if not (file.utc_known and base.utc_known) or common_s >= LITTLE_COMMON_S:
        return ""
    if common_s <= 0:
        return "; by their own clocks the two files have no second in common"
    return f"; by their own clocks the two files have only {common_s / 60:.1f} minutes in common"


def track_of(file: RideFile) -> Track:
    """Seconds since its first record."""
    return Track((file.time_ns - file.start_ns) / 1e9, file.power_w, file.cadence_rpm)


def _refuse_apart(name: str, clock: PlacedClock, file: RideFile, base: RideFile, reference: str) -> None:
    first_ns, last_ns = clock.to_reference_ns(file.time_ns[[0, -1]]).tolist()
    if last_ns < base.start_ns or first_ns > base.stop_ns:
        apart_s = max(base.start_ns - last_ns, first_ns - base.stop_ns) / 1e9
        raise BadInput(
            f"with the offset stated for {name} its ride lies {apart_s:.0f} s away from that of {reference}; "
            "the seconds are added to its times"
        )


def stated_offsets(texts: list[str], files: Mapping[str, RideFile], reference: str) -> dict[str, float]:
    """From `NAME=SECONDS`.

    :raises BadInput: for a name that has no file, or what is no number.
    """
    found: dict[str, float] = {}
    for text in texts:
        name, _, seconds = text.partition("=")
        if name not in files or name == reference:
            others = ", ".join(n for n in files if n != reference) or "none"
            raise BadInput(f"--offset goes with a file other than the reference's; there are {others}")
        try:
            value = float(seconds)
        except ValueError:
            value = math.nan
        if not abs(value) < LARGEST_OFFSET_S:
            raise BadInput(f"--offset {name}= needs seconds, such as --offset {name}=-12.5")
        found[name] = value
    return found


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
