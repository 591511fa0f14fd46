"""Knows at which whole seconds two tracks fit each other over a whole ride, and whether one fits alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.clock_alignment_track import Flags, Floats, Moves

LEAST_COMMON_S = 480  # moves known to both; holes and their surroundings do not count
LEAST_CORRELATION = 0.6
APART_S = 12  # peaks closer than this are one; the windows tell them apart
AROUND_S = 10  # within this a small jump of the clock may have moved a window
CANDIDATES = 4
# The second best has to leave this much more of the moves unexplained. Intervals ridden by a person to a clock leave
# 3 to 10 times more one interval off; those held by a machine leave the same.
LEAST_MARGIN = 1.6
LEAST_AGREEING = 0.8
# A part of the ride that fits elsewhere has to fit there by this much better for a jump of the clock.
JUMP_MARGIN = 0.25
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


def choose(found: list[Candidate], near: list[Floats], around: list[Floats], usable: Flags) -> Shifts:
    """Which candidate each window goes with.

    `near` and `around` hold per candidate the windows' correlations close to its shift and up to `AROUND_S` off: the
    first tell two candidates apart, the second whether windows fit at all, though the clock may have jumped a little.
    """
    best = found[0]
    for candidate, elsewhere in zip(found[1:], near[1:], strict=True):
        split = _jump(near[0], elsewhere, usable)
        if split is not None:
            at, first_is_best = split
            shifts = (best.shift, candidate.shift) if first_is_best else (candidate.shift, best.shift)
            return Shifts((shifts[0],) * at + (shifts[1],) * (usable.size - at))
    if float(np.median(around[0][usable])) < LEAST_CORRELATION:
        return Shifts((), TOO_STEADY)
    for candidate, here, elsewhere in zip(found[1:], near[1:], around[1:], strict=True):
        left = [1 - float(np.median(fit[usable])) for fit in (around[0], elsewhere)]
        agreeing = float(np.mean(around[0][usable] > here[usable]))
        if left[1] < LEAST_MARGIN * left[0] or agreeing < LEAST_AGREEING:
            apart_s = abs(candidate.shift - best.shift)
            return Shifts((), f"the ride repeats itself: {apart_s} s further on it fits about as well; {GIVE_OFFSET}")
    return Shifts((best.shift,) * usable.size)


def _jump(here: Floats, there: Floats, usable: Flags) -> tuple[int, bool] | None:
    """First window after the jump, and whether `here` fits before it; None where there is no such split."""
    where = np.flatnonzero(usable)
    margin = (here - there)[where]
    counts = range(2, where.size - 1)
    if not counts:
        return None
    for sign in (1.0, -1.0):
        gain = [sign * float(margin[:count].sum() - margin[count:].sum()) for count in counts]
        count = counts[int(np.argmax(gain))]
        before, after = sign * margin[:count], -sign * margin[count:]
        clear = min(float(np.median(before)), float(np.median(after))) > JUMP_MARGIN
        if clear and np.mean(np.concatenate((before, after)) > 0) >= LEAST_AGREEING:
            return int(where[count]), sign > 0
    return None


def _sums(a: Moves, b: Moves, size: int) -> Floats:
    """(4, size) over all shifts modulo `size`: products, squares of both, seconds; only what both know counts."""
    first = [np.fft.rfft(v, size) for v in (a.value, a.value**2, a.known.astype(np.float64))]
    second = [np.conj(np.fft.rfft(v, size)) for v in (b.value, b.value**2, b.known.astype(np.float64))]
    pairs = ((0, 0), (1, 2), (2, 1), (2, 2))
    return np.stack([np.fft.irfft(first[i] * second[j], size) for i, j in pairs])
