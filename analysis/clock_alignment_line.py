"""Knows the line through the offsets of a ride's windows: offset, drift, jumps, and how sure they are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.mean_interval import student_t
from analysis.samples import Bools, Floats

LEAST_JUMP_S = 0.4
JUMP_IN_SPREADS = 6.0
MOST_JUMPS = 3
LEAST_PER_PIECE = 2
LEAST_WINDOWS = 3
STRAY_IN_SPREADS = 4.0
LEAST_SPREAD_S = 0.02
DRIFT_LEAST_S = 2400.0
DRIFT_LEAST_WINDOWS = 6
# Crystals stay within about 100 ppm (common practice); what is known no better than this is no finding.
DRIFT_WORTH_TELLING_PPM = 30.0


@dataclass(frozen=True, eq=False)
class OffsetLine:
    """offset = `first_s` + `drift`·(x − `middle_s`), and `steps_s` more from each of `jumps` (window numbers) on.

    `half_width_s` is that of the piece around `middle_s`; both half-widths at 95 %. Where the drift is not proven its
    half-width is None, and `drift` 0.
    """

    middle_s: float
    first_s: float
    half_width_s: float
    drift: float
    drift_half_width: float | None
    jumps: tuple[int, ...]
    steps_s: tuple[float, ...]
    used: Bools


def offset_line(
    x_s: Floats, offset_s: Floats, weight: Floats, known_jumps: tuple[int, ...] = ()
) -> OffsetLine | None:
    """Weighted least squares without strays; None with too few windows left.

    The windows' own scatter about the line makes the intervals (Student's t), not what they should scatter by theory.
    """
    clear = weight > 0
    in_piece = np.bincount(_pieces(x_s.size, known_jumps)[clear], minlength=len(known_jumps) + 1)
    if in_piece.sum() < LEAST_WINDOWS or in_piece.min() < LEAST_PER_PIECE:
        return None
    found = _without_strays(x_s, offset_s, weight, _jumps(x_s, offset_s, clear, known_jumps))
    if found is not None and found.jumps != known_jumps and min(map(abs, found.steps_s)) < LEAST_JUMP_S:
        return _without_strays(x_s, offset_s, weight, known_jumps)
    return found


def _without_strays(x_s: Floats, offset_s: Floats, weight: Floats, jumps: tuple[int, ...]) -> OffsetLine | None:
    clear = weight > 0
    rest = offset_s - _robust(x_s, offset_s, clear, jumps)
    used = clear & (np.abs(rest) <= STRAY_IN_SPREADS * _spread(rest[clear]))
    span_s = float(np.ptp(x_s[used])) if used.any() else 0.0
    if span_s >= DRIFT_LEAST_S and np.count_nonzero(used) >= DRIFT_LEAST_WINDOWS + len(jumps):
        line = _fitted(x_s, offset_s, weight, used, jumps, drifting=True)
        if line is not None and 1e6 * (line.drift_half_width or math.inf) <= DRIFT_WORTH_TELLING_PPM:
            return line
    return _fitted(x_s, offset_s, weight, used, jumps, drifting=False)


def _fitted(
    x_s: Floats, offset_s: Floats, weight: Floats, used: Bools, jumps: tuple[int, ...], *, drifting: bool
) -> OffsetLine | None:
    x, y, w = x_s[used], offset_s[used], weight[used]
    if x.size == 0:
        return None
    middle_s = float(np.average(x, weights=w))
    piece = _pieces(x_s.size, jumps)
    now = int(piece[int(np.argmin(np.abs(x_s - middle_s)))])
    columns = [np.ones(x.size), *((piece[used] >= j) * 1.0 - (now >= j) for j in range(1, len(jumps) + 1))]
    if drifting:
        columns.append(x - middle_s)
    design = np.stack(columns, axis=1)
    freedom = x.size - design.shape[1]
    normal = design.T @ (w[:, None] * design)
    if freedom < 1 or np.linalg.matrix_rank(normal) < design.shape[1]:
        return None
    inverse = np.linalg.inv(normal)
    found = inverse @ (design.T @ (w * y))
    # Windows scatter by more than their weights tell: each one's own miss, as if it had been left out (HC3,
    # MacKinnon and White 1985), gives the variance.
    leverage = w * np.einsum("ij,jk,ik->i", design, inverse, design)
    miss_s = np.hypot((y - design @ found) / np.maximum(1 - leverage, 0.05), LEAST_SPREAD_S / 4)
    influence = inverse @ (design * (w * miss_s)[:, None]).T
    half = student_t(0.975, freedom) * np.sqrt((influence**2).sum(axis=1))
    return OffsetLine(
        middle_s,
        float(found[0]) - float(sum(found[1 : 1 + now])),
        float(half[0]),
        float(found[-1]) if drifting else 0.0,
        float(half[-1]) if drifting else None,
        jumps,
        tuple(float(step) for step in found[1 : 1 + len(jumps)]),
        used,
    )


def _jumps(x_s: Floats, y: Floats, clear: Bools, known: tuple[int, ...]) -> tuple[int, ...]:
    """Window numbers at which the offset steps, one after the other while each explains much of what is left."""
    jumps = known
    while len(jumps) < MOST_JUMPS:
        rest = (y - _robust(x_s, y, clear, jumps))[clear]
        best, best_cost, best_rest = None, 0.6 * float(np.abs(rest).sum()), rest
        for at in np.flatnonzero(clear)[1:]:
            tried = tuple(sorted({*jumps, int(at)}))
            sizes = np.bincount(_pieces(x_s.size, tried)[clear], minlength=len(tried) + 1)
            if len(tried) == len(jumps) or sizes.min() < LEAST_PER_PIECE:
                continue
            left = (y - _robust(x_s, y, clear, tried))[clear]
            if float(np.abs(left).sum()) < best_cost:
                best, best_cost, best_rest = tried, float(np.abs(left).sum()), left
        if best is None:
            return jumps
        line = _robust(x_s, y, clear, best) - _robust_slope(x_s, y, clear, best) * x_s
        (new,) = set(best) - set(jumps)
        if abs(line[new] - line[new - 1]) < max(LEAST_JUMP_S, JUMP_IN_SPREADS * _spread(best_rest)):
            return jumps
        jumps = best
    return jumps


def _robust(x_s: Floats, y: Floats, clear: Bools, jumps: tuple[int, ...]) -> Floats:
    """A line with the median slope of all pairs within a piece (Theil 1950, Sen 1968) and a median level for each."""
    slope = _robust_slope(x_s, y, clear, jumps)
    piece = _pieces(x_s.size, jumps)
    level = np.array([np.median((y - slope * x_s)[clear & (piece == p)]) for p in range(len(jumps) + 1)])
    return np.asarray(slope * x_s + level[piece])


def _robust_slope(x_s: Floats, y: Floats, clear: Bools, jumps: tuple[int, ...]) -> float:
    piece = _pieces(x_s.size, jumps)[clear]
    x, y = x_s[clear], y[clear]
    i, j = np.triu_indices(x.size, 1)
    same = piece[i] == piece[j]
    if not same.any() or float(np.ptp(x)) < DRIFT_LEAST_S:
        return 0.0
    return float(np.median((y[j] - y[i])[same] / (x[j] - x[i])[same]))


def _pieces(size: int, jumps: tuple[int, ...]) -> NDArray[np.int64]:
    return np.searchsorted(np.array(jumps, dtype=np.int64), np.arange(size), "right")


def _spread(rest: Floats) -> float:
    """Standard deviation from the median absolute deviation, at least `LEAST_SPREAD_S`."""
    return max(1.4826 * float(np.median(np.abs(rest))), LEAST_SPREAD_S) if rest.size else math.inf
