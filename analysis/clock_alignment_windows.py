"""Knows the offset of each window of a ride to a fraction of a second, though both tracks have whole seconds only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.clock_alignment_search import LEAST_CORRELATION, window_sums
from analysis.clock_alignment_track import Moves
from analysis.samples import Bools, Floats

SEARCH_S = 12  # either side of the whole second found before
TAPER_S = 8
FINE_S = 0.05
LEAST_KNOWN = 0.35  # of a window's seconds
# A window is worth no more than this many times the median one, lest a single sprint decide.
MOST_WEIGHT = 4.0


@dataclass(frozen=True, eq=False)
class WindowOffsets:
    """One element per window: shift in seconds and fractions, its correlation, what it is worth (inverse variance up
    to a common factor), and whether it has a clear peak."""

    shift: Floats
    correlation: Floats
    weight: Floats
    clear: Bools


def window_offsets(a: Moves, b: Moves, shifts: NDArray[np.int64], window_s: int) -> WindowOffsets:
    """`shifts`: whole seconds known before, one per window.

    At each whole second the correlation is divided by the energy of just those seconds that both know: then a hole
    has no say in where the peak lies. Between them it is read by a tapered sinc, which for these moves is exact to
    1e-3, while a parabola through three whole seconds leans towards the middle one.
    """
    curve = np.zeros((shifts.size, 2 * (SEARCH_S + TAPER_S) + 1))
    known = np.zeros(shifts.size)
    for shift in np.unique(shifts):
        mine = shifts == shift
        for column, lag in enumerate(range(-SEARCH_S - TAPER_S, SEARCH_S + TAPER_S + 1)):
            product, energy_a, energy_b, seconds = window_sums(a, b, int(shift) + lag, window_s)[:, : shifts.size]
            correlation = product / np.sqrt(np.maximum(energy_a * energy_b, 1e-12))
            curve[mine, column] = correlation[mine]
            if lag == 0:
                known[mine] = seconds[mine]
    fine_s, table = _between()
    fine = curve @ table
    peak = np.argmax(fine, axis=1)
    inside = (peak > 0) & (peak < fine_s.size - 1)
    peak = np.clip(peak, 1, fine_s.size - 2)
    each = np.arange(shifts.size)
    left, top, right = fine[each, peak - 1], fine[each, peak], fine[each, peak + 1]
    bend = np.maximum(2 * top - left - right, 1e-12)
    clear = inside & (top >= LEAST_CORRELATION) & (known >= LEAST_KNOWN * window_s)
    shift_s = shifts + fine_s[peak] + FINE_S * 0.5 * (right - left) / bend
    # Variance of a delay between two noisy copies: (1 − r²)/r² over seconds times curvature (Carter 1987, in time).
    worth = known * bend / np.maximum(top, 1e-6) * top**2 / np.maximum(1 - top**2, 1e-4)
    weight = np.where(clear, worth, 0.0)
    if clear.any():
        weight = np.minimum(weight, MOST_WEIGHT * np.median(weight[clear]))
    return WindowOffsets(shift_s, top, weight, clear)


def _between() -> tuple[Floats, Floats]:
    """Fine lags, and the table that reads the correlation there from its values at whole seconds."""
    fine_s = np.arange(-SEARCH_S / FINE_S, SEARCH_S / FINE_S + 1) * FINE_S
    whole_s = np.arange(-SEARCH_S - TAPER_S, SEARCH_S + TAPER_S + 1.0)
    apart = whole_s[:, None] - fine_s[None, :]
    taper = np.where(np.abs(apart) < TAPER_S, np.cos(np.pi * apart / (2 * TAPER_S)) ** 2, 0.0)
    return fine_s, np.asarray(np.sinc(apart) * taper)
