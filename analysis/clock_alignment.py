"""How far the clock of one device is from that of another, and how it drifts, from the power that both recorded."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.clock_alignment_line import MOST_JUMPS, OffsetLine, offset_line
from analysis.clock_alignment_search import (
    AROUND_S,
    GIVE_OFFSET,
    LEAST_COMMON_S,
    LEAST_CORRELATION,
    TOO_STEADY,
    Candidate,
    candidates,
    choose,
    more_candidates,
    window_correlations,
    window_sums,
)
from analysis.clock_alignment_track import MOST_S, Moves, Track, moves
from analysis.clock_alignment_windows import LEAST_KNOWN, WindowOffsets, window_offsets
from analysis.mean_interval import student_t
from analysis.samples import Bools, Floats

__all__ = ["Alignment", "Jump", "Track", "Window", "align_clocks"]

WINDOW_S, SHORTEST_WINDOW_S, LEAST_WINDOWS, MOST_WINDOWS = 300, 60, 8, 64
LEAST_LIVELY = 0.02  # mean square of a window's moves over that of the whole ride: a stop tells nothing
LEAST_USED = 0.65  # of the windows that could be used
# What files of whole seconds cannot show: where in a turn each meter takes its mean, and how long a value waits.
COMMON_S = 0.05
WITHIN_S = 900.0
NEAR_S = 2


@dataclass(frozen=True)
class Window:
    """What one stretch of the ride says by itself; `centre_s` on the other's clock."""

    centre_s: float
    offset_s: float
    correlation: float
    used: bool


@dataclass(frozen=True)
class Jump:
    """From `at_s` of the other's clock on, `by_s` more has to be added to it: one of the clocks was set."""

    at_s: float
    by_s: float


@dataclass(frozen=True)
class Alignment:
    """reference = other + offset_s + drift_ppm·1e-6·(other − epoch_s), and jumps; half-widths at 95 %.

    Drift is 0 and its half-width None where it is not proven. Where `carried` is false nothing is told: offset nan,
    half-width inf, and `words` say why; else they hold remarks, if any. The lag between the meters is part of the
    offset: clock and meter cannot be told apart, and their sum is what makes the powers fit.
    """

    offset_s: float
    offset_half_width_s: float
    drift_ppm: float
    drift_half_width_ppm: float | None
    epoch_s: float
    windows: tuple[Window, ...]
    carried: bool
    words: str = ""
    jumps: tuple[Jump, ...] = ()

    def to_reference(self, time_s: Floats) -> Floats:
        """Times of the other's clock on the reference's; nan where nothing was carried."""
        at_s = np.asarray(time_s, dtype=np.float64)
        moved = at_s + self.offset_s + self.drift_ppm * 1e-6 * (at_s - self.epoch_s)
        for jump in self.jumps:
            moved = moved + jump.by_s * ((at_s >= jump.at_s) * 1.0 - (self.epoch_s >= jump.at_s))
        return np.asarray(moved, dtype=np.float64)


def align_clocks(
    reference: Track, other: Track, *, guess_s: float | None = None, within_s: float = WITHIN_S
) -> Alignment:
    """Offset and drift of the other's clock against the reference's.

    With `guess_s` the offset is sought within ± `within_s` of it (two clocks that both say UTC: guess 0), without it
    wherever the two have 10 minutes in common. Power and cadence find the second, power alone the fraction.
    """
    if max(reference.span_s, other.span_s) > MOST_S:
        return _not_carried(f"a track spans more than {MOST_S // 3600} hours; cut it first")
    a, b = _both(reference), _both(other)
    apart_s = a[0].start_s - b[0].start_s
    lowest, highest = -(2**40), 2**40
    if guess_s is not None:
        lowest, highest = math.ceil(guess_s - within_s - apart_s), math.floor(guess_s + within_s - apart_s)
    found = candidates(a, b, lowest, highest)
    if not found:
        return _not_carried(_why_nothing(a[0], b[0]))
    if found[0].shift in (lowest, highest):
        return _not_carried(f"no fit within ±{within_s:g} s of the offset guessed; give another")
    window_s = _window_s(found[0].common_s, reference.span_s)
    lively = window_sums(a[0], a[0], 0, window_s)[1] >= LEAST_LIVELY * window_s
    near, around = (_fits(a, b, found, window_s, reach) for reach in (NEAR_S, AROUND_S))
    usable = lively & (around[0][1] >= LEAST_KNOWN * window_s)
    if np.count_nonzero(usable) < 3:
        return _not_carried(f"too many holes for windows to be compared; {GIVE_OFFSET}")
    for _ in range(MOST_JUMPS):
        unfit = usable & (np.max([fit for fit, _ in around], axis=0) < LEAST_CORRELATION)
        more = more_candidates(a, b, unfit, window_s, lowest, highest) if np.count_nonzero(unfit) > 1 else []
        if not more:
            break
        found += more
        near += _fits(a, b, more, window_s, NEAR_S)
        around += _fits(a, b, more, window_s, AROUND_S)
    chosen = choose(found, [fit for fit, _ in near], [fit for fit, _ in around], usable)
    if not chosen.by_window:
        return _not_carried(chosen.words)
    shifts = np.array(chosen.by_window, dtype=np.int64)
    offsets = window_offsets(a[0], b[0], shifts, window_s)
    known_jumps = tuple(int(k) + 1 for k in np.flatnonzero(np.diff(shifts)))
    return _aligned(a[0], b[0], offsets, known_jumps, window_s, usable)


def _aligned(
    a: Moves, b: Moves, found: WindowOffsets, known_jumps: tuple[int, ...], window_s: int, usable: Bools
) -> Alignment:
    offset_s = found.shift + a.start_s - b.start_s
    typical_s = float(np.median(offset_s[found.clear])) if found.clear.any() else 0.0
    # On the other's clock, to the accuracy that a slope needs.
    centre_s = np.asarray(a.start_s + (np.arange(offset_s.size) + 0.5) * window_s - typical_s, dtype=np.float64)
    line = offset_line(centre_s, offset_s - typical_s, np.where(usable, found.weight, 0.0), known_jumps)
    used = int(np.count_nonzero(line.used)) if line is not None else 0
    windows = tuple(
        Window(float(at), float(off), float(r), bool(line is not None and line.used[i]))
        for i, (at, off, r) in enumerate(zip(centre_s, offset_s, found.correlation, strict=True))
        if usable[i]
    )
    if line is None or used < max(3, LEAST_USED * np.count_nonzero(usable)):
        why = (
            TOO_STEADY
            if np.count_nonzero(found.clear) < 3
            else "parts of the ride disagree about the offset; " + GIVE_OFFSET
        )
        return _not_carried(f"{why} ({used} of {len(windows)} stretches agree)", windows)
    jumps = tuple(
        Jump(_jump_s(a, b, found.shift, line, at, window_s, centre_s), by)
        for at, by in zip(line.jumps, line.steps_s, strict=True)
    )
    passed_s = sum(jump.by_s for jump in jumps if jump.at_s <= line.middle_s)
    return Alignment(
        offset_s=line.first_s + passed_s + typical_s,
        offset_half_width_s=math.hypot(line.half_width_s, student_t(0.975, math.inf) * COMMON_S),
        drift_ppm=line.drift * 1e6,
        drift_half_width_ppm=None if line.drift_half_width is None else line.drift_half_width * 1e6,
        epoch_s=line.middle_s,
        windows=windows,
        carried=True,
        words="; ".join(_remarks(line, jumps, len(windows) - used, len(windows))),
        jumps=jumps,
    )


def _jump_s(a: Moves, b: Moves, shift: Floats, line: OffsetLine, at: int, window_s: int, centre_s: Floats) -> float:
    """When, on the other's clock: from which of its seconds on the later shift leaves less unexplained."""
    before, after = np.flatnonzero(line.used[:at]), at + np.flatnonzero(line.used[at:])
    if before.size == 0 or after.size == 0:
        return float((centre_s[at - 1] + centre_s[at]) / 2)
    first, last = int(before[-1]), int(after[0])
    early, late = round(float(shift[first])), round(float(shift[last]))
    start = max(min(first * window_s - early, first * window_s - late), 0)
    j = np.arange(start, min(max((last + 1) * window_s - early, (last + 1) * window_s - late), b.value.size))
    if j.size == 0:
        return float((centre_s[at - 1] + centre_s[at]) / 2)
    later_is_better = np.cumsum(_misfit(a, b, j, early) - _misfit(a, b, j, late))
    return b.start_s + float(j[int(np.argmin(later_is_better))]) + 0.5


def _misfit(a: Moves, b: Moves, j: NDArray[np.int64], shift: int) -> Floats:
    k = j + shift
    inside = (k >= 0) & (k < a.value.size)
    k = np.clip(k, 0, a.value.size - 1)
    # What is unknown to the reference counts as a move of usual size, lest a hole look like a fit.
    misfit = np.where(inside & a.known[k], (a.value[k] - b.value[j]) ** 2, 1.0)
    return np.where(b.known[j], misfit, 0.0)


def _remarks(line: OffsetLine, jumps: tuple[Jump, ...], left_out: int, of: int) -> list[str]:
    told = [f"one of the clocks was set by {jump.by_s:+.1f} s on the way" for jump in jumps]
    if line.drift_half_width is None:
        told.append("too short, or too steady, for the drift to be proven; it is taken as 0")
    if left_out:
        told.append(f"{left_out} of {of} stretches fit badly and were left out")
    return told


def _fits(
    a: tuple[Moves, ...], b: tuple[Moves, ...], found: list[Candidate], window_s: int, reach: int
) -> list[tuple[Floats, Floats]]:
    return [window_correlations(a, b, candidate.shift, window_s, reach) for candidate in found]


def _both(track: Track) -> tuple[Moves, Moves]:
    return moves(track, track.power_w), moves(track, track.cadence_rpm)


def _window_s(common_s: int, span_s: float) -> int:
    window_s = min(max(common_s // LEAST_WINDOWS, SHORTEST_WINDOW_S), WINDOW_S)
    return max(window_s, math.ceil(span_s / MOST_WINDOWS))


def _why_nothing(a: Moves, b: Moves) -> str:
    known_s = min(int(np.count_nonzero(a.known)), int(np.count_nonzero(b.known)))
    needed = "10 minutes in common are needed"
    if known_s < LEAST_COMMON_S:
        return f"one of the two holds {known_s / 60:.0f} minutes of power, and {needed}; {GIVE_OFFSET}"
    return f"{needed}, in which the powers move together, and there is no such place; {GIVE_OFFSET}"


def _not_carried(words: str, windows: tuple[Window, ...] = ()) -> Alignment:
    return Alignment(math.nan, math.inf, 0.0, None, 0.0, windows, carried=False, words=words)
