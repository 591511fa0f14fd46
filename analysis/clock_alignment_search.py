"""Knows at which whole seconds two tracks fit each other over a whole ride, and whether one fits alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.clock_alignment_track import Moves
from analysis.samples import Bools, Floats

LEAST_COMMON_S = 480  # moves known to both; holes and their surroundings do not count
LEAST_CORRELATION = 0.6
APART_S = 12  # peaks closer than this are one; the windows tell them apart
AROUND_S = 10  # within this a small jump of the clock may have moved a window
CANDIDATES = 4
# The second best has to leave this much more of the moves unexplained. Intervals ridden by a person to a clock leave
# 3 to 10 times more one interval off; those held by a machine leave the same.
LEAST_MARGIN = 1.6
LEAST_AGREEING = 0.8
# Where the clock jumped, each part has to fit by so much better than at any other shift.
JUMP_MARGIN = 0.25
CHANGE_COST = 0.5  # in correlation of windows: no one window, however bad, makes a jump
GIVE_OFFSET = "give the offset by hand"
TOO_STEADY = f"the powers do not move together: too steady, or not of one ride; {GIVE_OFFSET}"


@dataclass(frozen=True)
class Candidate:
    """Second k of the reference goes with second k − `shift` of the other."""

    shift: int
    correlation: float
    common_s: int


@dataclass(frozen=True)
class Shifts:
    """Shift of each window; several where the clock jumped. Empty, with words, where none is carried."""

    by_window: tuple[int, ...]
    words: str = ""


def candidates(reference: tuple[Moves, ...], other: tuple[Moves, ...], lowest: int, highest: int) -> list[Candidate]:
    """Best fits of all quantities together, shifts from `lowest` to `highest`, `APART_S` apart or more, best first.

    Correlation is uncentred over the seconds known to both at that shift. Ranked by likelihood, −n·ln(1 − r²), since
    a short overlap may fit by chance. The first quantity has to be known for `LEAST_COMMON_S`.
    """
    size = 1 << int(reference[0].value.size + other[0].value.size).bit_length()
    shifts = np.arange(max(lowest, 1 - other[0].value.size), min(highest, reference[0].value.size - 1) + 1)
    if shifts.size == 0:
        return []
    sums = [_sums(a, b, size)[:, shifts % size] for a, b in zip(reference, other, strict=True)]
    common = np.rint(sums[0][3])
    product, energy_a, energy_b = (sum(s[i] for s in sums) for i in range(3))
    scale = np.sqrt(np.maximum(energy_a, 0) * np.maximum(energy_b, 0))
    correlation = np.where(scale > 1e-6, product / np.maximum(scale, 1e-6), 0.0)
    usable = (common >= LEAST_COMMON_S) & (correlation > 0)
    bounded = np.clip(correlation, 0.0, 1 - 1e-9)
    score = np.where(usable, -common * np.log1p(-(bounded**2)), -np.inf)
    found: list[Candidate] = []
    while len(found) < CANDIDATES and np.isfinite(score).any():
        best = int(np.argmax(score))
        found.append(Candidate(int(shifts[best]), float(correlation[best]), int(common[best])))
        score[np.abs(shifts - shifts[best]) < APART_S] = -np.inf
    return found


def window_correlations(
    reference: tuple[Moves, ...], other: tuple[Moves, ...], shift: int, window_s: int, reach: int
) -> tuple[Floats, Floats]:
    """Of each window of the reference: greatest correlation within `reach` of `shift`, and seconds known to both."""
    best: Floats | None = None
    seconds = np.zeros(0)
    for near in range(shift - reach, shift + reach + 1):
        parts = [window_sums(a, b, near, window_s) for a, b in zip(reference, other, strict=True)]
        product, energy_a, energy_b = (sum(p[i] for p in parts) for i in range(3))
        correlation = product / np.sqrt(np.maximum(energy_a * energy_b, 1e-12))
        best = correlation if best is None else np.maximum(best, correlation)
        seconds = parts[0][3] if near == shift else seconds
    return np.zeros(0) if best is None else best, seconds


def window_sums(a: Moves, b: Moves, shift: int, window_s: int) -> Floats:
    """(4, windows): sums of products, of both squares, and of seconds, over what both know in each window."""
    size = a.value.size // window_s * window_s
    k = np.arange(size) - shift
    inside = (k >= 0) & (k < b.value.size)
    k = np.clip(k, 0, max(b.value.size - 1, 0))
    both = inside & b.known[k] & a.known[:size]
    x, y = np.where(both, a.value[:size], 0.0), np.where(both, b.value[k], 0.0)
    return np.stack(
        [part.reshape(-1, window_s).sum(axis=1) for part in (x * y, x * x, y * y, both.astype(np.float64))]
    )


def more_candidates(
    reference: tuple[Moves, ...], other: tuple[Moves, ...], unfit: Bools, window_s: int, lowest: int, highest: int
) -> list[Candidate]:
    """The best fit of only those windows of the reference that fit nowhere yet; none where there is no such fit."""
    only = np.repeat(unfit, window_s)
    parts = []
    for part in reference:
        known = part.known.copy()
        known[: only.size] &= only[: known.size]
        known[only.size :] = False
        parts.append(Moves(part.start_s, np.where(known, part.value, 0.0), known))
    found = candidates(tuple(parts), other, lowest, highest)[:1]
    return [candidate for candidate in found if candidate.correlation >= LEAST_CORRELATION]


def choose(found: list[Candidate], near: list[Floats], around: list[Floats], usable: Bools) -> Shifts:
    """Which candidate each window goes with.

    `near` and `around` hold per candidate the windows' correlations close to its shift and up to `AROUND_S` off: the
    first tell two candidates apart, the second whether windows fit at all, though the clock may have jumped a little.
    """
    path = _path(np.stack(around)[:, usable])
    if path.size == 0:
        return Shifts((), TOO_STEADY)
    if np.any(np.diff(path)):
        return _pieces(found, np.stack(near), np.stack(around), path, usable)
    best = int(path[0])
    fit = around[best][usable]
    if float(np.median(fit)) < LEAST_CORRELATION:
        return Shifts((), TOO_STEADY)
    for number, candidate in enumerate(found):
        if number == best:
            continue
        left = 1 - float(np.median(around[number][usable]))
        agreeing = float(np.mean(fit > near[number][usable]))
        if left < LEAST_MARGIN * (1 - float(np.median(fit))) or agreeing < LEAST_AGREEING:
            return Shifts((), _repeats(candidate.shift - found[best].shift))
    return Shifts((found[best].shift,) * usable.size)


def _pieces(found: list[Candidate], near: Floats, around: Floats, path: NDArray[np.int64], usable: Bools) -> Shifts:
    """Shifts of a clock that jumped, provided that each piece fits nowhere else."""
    for number in np.unique(path):
        mine = float(np.median(around[number][usable][path == number]))
        others = np.median(near[:, usable][:, path == number], axis=1)
        others[number] = -np.inf
        rival = int(np.argmax(others))
        if mine < LEAST_CORRELATION:
            return Shifts((), TOO_STEADY)
        if mine - others[rival] < JUMP_MARGIN:
            return Shifts((), _repeats(found[rival].shift - found[int(number)].shift))
    # Windows that cannot be used go with the last one before them that can.
    last = np.clip(np.cumsum(usable) - 1, 0, path.size - 1)
    return Shifts(tuple(found[int(number)].shift for number in path[last]))


def _path(fit: Floats) -> NDArray[np.int64]:
    """(candidates, windows) -> the candidate of each window, for the greatest sum less `CHANGE_COST` per change.

    By dynamic programming (Viterbi 1967). A candidate has two neighbouring windows at least, or none.
    """
    count, size = fit.shape
    best, came_from = np.zeros(count), []
    for window in range(size):
        change = int(np.argmax(best))
        changed = best[change] - CHANGE_COST > best
        came_from.append(np.where(changed, change, np.arange(count)))
        best = np.where(changed, best[change] - CHANGE_COST, best) + fit[:, window]
    path = np.zeros(size, dtype=np.int64)
    here = int(np.argmax(best))
    for window in range(size - 1, -1, -1):
        path[window] = here
        here = int(came_from[window][here])
    if size > 1:
        path[0] = path[1] if path[0] != path[1] else path[0]
        path[-1] = path[-2] if path[-1] != path[-2] else path[-1]
    return path


def _repeats(apart_s: int) -> str:
    return f"the ride repeats itself: {abs(apart_s)} s further on it fits about as well; {GIVE_OFFSET}"


def _sums(a: Moves, b: Moves, size: int) -> Floats:
    """(4, size) over all shifts modulo `size`: products, squares of both, seconds; only what both know counts."""
    first = [np.fft.rfft(v, size) for v in (a.value, a.value**2, a.known.astype(np.float64))]
    second = [np.conj(np.fft.rfft(v, size)) for v in (b.value, b.value**2, b.known.astype(np.float64))]
    pairs = ((0, 0), (1, 2), (2, 1), (2, 2))
    return np.stack([np.fft.irfft(first[i] * second[j], size) for i, j in pairs])
