"""Knows when two ride files hold the power of one and the same meter, so that nobody compares it with itself."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from analysis.errors import BadInput
from recorder.import_rows import PlacedFile

# Two exports of one file, and two devices that store the latest packet of one meter, share nearly every watt; two
# meters on one bicycle shared at most 16 % in simulation (half a percent of noise, no scale error between them).
SAME_SHARE = 0.5
LEAST_S = 300
_SHIFTS = range(-2, 3)


def refuse_one_meter_twice(placed: Mapping[str, PlacedFile]) -> None:
    """:raises BadInput: where two files share most of their whole watts, second by second."""
    for (first, one), (second, other) in combinations(placed.items(), 2):
        share = _share_of_same_watts(one, other)
        if share >= SAME_SHARE:
            raise BadInput(
                f"{one.file.name} and {other.file.name} hold the same watts in {100 * share:.0f} % of the seconds: "
                f"both recorded one meter, so {first} and {second} cannot be told apart; give each meter its own file"
            )


def _share_of_same_watts(one: PlacedFile, other: PlacedFile) -> float:
    """At the whole second at which they share most; 0 where too little is in common."""
    (at, watts), (other_at, other_watts) = _moving(one), _moving(other)
    best = 0.0
    for shift in _SHIFTS:
        _, mine, theirs = np.intersect1d(at, other_at + shift, assume_unique=True, return_indices=True)
        if mine.size >= LEAST_S:
            best = max(best, float(np.mean(watts[mine] == other_watts[theirs])))
    return best


def _moving(placed: PlacedFile) -> tuple[np.ndarray, np.ndarray]:
    """Whole seconds, each once, and whole watts, where any power was made: all meters share the zeros of a coast."""
    power_w = np.nan_to_num(placed.file.power_w)
    at, first = np.unique(np.rint(placed.host_ns[power_w > 0] / 1e9).astype(np.int64), return_index=True)
    return at, np.rint(power_w[power_w > 0][first]).astype(np.int64)
