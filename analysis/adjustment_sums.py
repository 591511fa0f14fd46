"""Knows how to fold many rides into few sums, from which every combination of faulty meters is then solved."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import coo_array

from analysis.adjustment_prior import ClaimPrior
from analysis.bench_model import MountedMeter, RideObservations
from analysis.ride_equations import RideEquations, ride_equations
from analysis.samples import Floats, Ints

# Precision of a scale of which nothing is believed beforehand, 1/%².
NOTHING_KNOWN = 1e-6

Key = tuple[str, str]


@dataclass(frozen=True)
class Layout:
    """Which column is what: `epochs` scales, then loss and drag of each chain that has a name.

    `mounted` lists every meter of every ride, each with a zero offset of its own: (number of the ride, of the epoch).
    """

    epochs: tuple[MountedMeter, ...]
    chains: tuple[str, ...]
    mounted: tuple[tuple[int, int], ...]

    @property
    def columns(self) -> int:
        return len(self.epochs) + 2 * len(self.chains)


@dataclass(frozen=True)
class Figures:
    """Figures (k,) as `from_columns`·columns + `own_mean`; `own_with_zeros` (k, zeros): what their own parts share
    with each ride's zero offsets, `own_variance` (k,) the variance of those parts. Sparse where (k, ·)."""

    from_columns: Any
    own_mean: Floats
    own_variance: Floats
    own_with_zeros: Any


@dataclass(frozen=True)
class Folded:
    """All rides as sums. `zeros`: each ride's zero offsets, in their prior's sd, one per entry of `layout.mounted`.

    `offsets` (2n,): of each epoch the mean zero offset over its rides (N·m), then the same less the chain's drag.
    Cost: for each ride the cube of its readings; the square of the columns in memory, the zeros sparse.
    """

    layout: Layout
    information: Floats  # (p, p): Xᵀ V⁻¹ X, without any prior
    right_side: Floats  # (p,): Xᵀ V⁻¹ y
    squares: float  # yᵀ V⁻¹ y
    readings: int
    zeros: Figures
    offsets: Figures


def layout_of(observations: Sequence[RideObservations]) -> Layout:
    """A unit keeps what was said of it last; a firmware of its own is an epoch of its own."""
    epochs = {m.key: m for ride in observations for m in ride.meters}
    number = {key: n for n, key in enumerate(epochs)}
    chains = dict.fromkeys(ride.chain_id for ride in observations if ride.chain_id is not None)
    mounted = tuple((r, number[m.key]) for r, ride in enumerate(observations) for m in ride.meters)
    return Layout(tuple(epochs.values()), tuple(chains), mounted)


def fold(observations: Sequence[RideObservations], layout: Layout) -> Folded:
    """Zero offsets, and chains without a name, are known to one ride only: they are eliminated ride by ride."""
    p, n, z = layout.columns, len(layout.epochs), len(layout.mounted)
    information, right_side = np.zeros((p, p)), np.zeros(p)
    zeros, offsets = _Gathered(z), _Gathered(2 * n)
    place = {m.key: number for number, m in enumerate(layout.epochs)}
    rides_of = Counter(epoch for _, epoch in layout.mounted)
    squares, readings, first_zero = 0.0, 0, 0
    for ride in observations:
        equations = ride_equations(ride)
        at = np.array([place[m.key] for m in ride.meters])
        shared, own = _parted(equations)
        columns = at if ride.chain_id is None else np.append(at, _chain_columns(layout, ride.chain_id))
        factor = cho_factor(equations.noise + own @ own.T)
        solved, solved_y = cho_solve(factor, shared), cho_solve(factor, equations.y)
        information[np.ix_(columns, columns)] += shared.T @ solved
        right_side[columns] += solved.T @ equations.y
        squares += float(equations.y @ solved_y)
        readings += equations.y.size
        local = _Local(-own.T @ solved, own.T @ solved_y, np.eye(own.shape[1]) - own.T @ cho_solve(factor, own))
        here = first_zero + np.arange(at.size)
        first_zero += at.size
        zeros.add(here, columns, here, local, np.eye(at.size, own.shape[1]))
        share = 1 / np.array([rides_of[int(epoch)] for epoch in at])
        wanted = _offsets_wanted(ride, own.shape[1]) * np.tile(share, 2)[:, None]
        offsets.add(np.concatenate((at, n + at)), columns, here, local, wanted)
        _known_drag(ride, layout, n + at, share, offsets)
    return Folded(
        layout, information, right_side, squares, readings, zeros.figures((z, p, z)), offsets.figures((2 * n, p, z))
    )


@dataclass(frozen=True)
class _Local:
    """A ride's own unknowns: mean = from_columns·columns + mean, and their covariance where the columns are known."""

    from_columns: Floats
    mean: Floats
    covariance: Floats


@dataclass
class _Sparse:
    rows: list[Ints] = field(default_factory=list)
    columns: list[Ints] = field(default_factory=list)
    values: list[Floats] = field(default_factory=list)

    def add(self, rows: Ints, columns: Ints, block: Floats) -> None:
        self.rows.append(np.repeat(rows, columns.size))
        self.columns.append(np.tile(columns, rows.size))
        self.values.append(block.ravel())

    def array(self, shape: tuple[int, int]) -> Any:
        where = np.concatenate(self.rows), np.concatenate(self.columns)
        return coo_array((np.concatenate(self.values), where), shape).tocsr()


class _Gathered:
    """Figures while ride after ride adds to them."""

    def __init__(self, count: int) -> None:
        self.from_columns, self.with_zeros = _Sparse(), _Sparse()
        self.mean, self.variance = np.zeros(count), np.zeros(count)

    def add(self, rows: Ints, columns: Ints, zeros: Ints, local: _Local, wanted: Floats) -> None:
        self.from_columns.add(rows, columns, wanted @ local.from_columns)
        own = wanted @ local.covariance
        self.with_zeros.add(rows, zeros, own[:, : zeros.size])
        self.mean[rows] += wanted @ local.mean
        self.variance[rows] += np.sum(own * wanted, axis=1)

    def figures(self, shape: tuple[int, int, int]) -> Figures:
        count, columns, zeros = shape
        return Figures(
            self.from_columns.array((count, columns)),
            self.mean,
            self.variance,
            self.with_zeros.array((count, zeros)),
        )


def _parted(equations: RideEquations) -> tuple[Floats, Floats]:
    """What other rides share, and what is this ride's own."""
    if equations.ride.chain_id is None:
        return equations.scales, np.hstack((equations.own, equations.chain))
    return np.hstack((equations.scales, equations.chain)), equations.own


def _chain_columns(layout: Layout, chain_id: str) -> Ints:
    first = len(layout.epochs) + 2 * layout.chains.index(chain_id)
    return np.array([first, first + 1])


def _offsets_wanted(ride: RideObservations, own: int) -> Floats:
    """(2n, own): offset of each meter in N·m, then the same less a drag known to this ride only."""
    n = len(ride.meters)
    wanted = np.zeros((2 * n, own))
    for number, meter in enumerate(ride.meters):
        wanted[[number, n + number], number] = ClaimPrior(meter.claim_pct).offset_sd_nm
        if meter.behind_chain and ride.chain_id is None:
            wanted[n + number, n + 1] = -ride.chain.drag_sd_nm
    return wanted


def _known_drag(ride: RideObservations, layout: Layout, rows: Ints, share: Floats, offsets: _Gathered) -> None:
    behind = np.array([m.behind_chain for m in ride.meters])
    offsets.mean[rows[behind]] -= ride.chain.drag_nm * share[behind]
    if ride.chain_id is not None:
        drag = _chain_columns(layout, ride.chain_id)[1:]
        offsets.from_columns.add(rows[behind], drag, -ride.chain.drag_sd_nm * share[behind])


def measured_scales(folded: Folded) -> tuple[Floats, Floats]:
    """Scales (n,) and their covariance with nothing believed of them beforehand; only differences have a meaning."""
    n = len(folded.layout.epochs)
    covariance = np.asarray(np.linalg.inv(folded.information + np.diag(_hardly_any_prior(folded))), np.float64)
    return np.asarray(covariance @ folded.right_side)[:n], covariance[:n, :n]


def misfit(folded: Folded, separate: int) -> tuple[float, int]:
    """χ² of the readings about the measured scales, and its degrees of freedom.

    `separate`: groups of epochs that no ride links. Zero offsets and chains count as noise with their prior.
    """
    fitted = np.linalg.solve(folded.information + np.diag(_hardly_any_prior(folded)), folded.right_side)
    chi2 = folded.squares - float(folded.right_side @ fitted)
    return max(chi2, 0.0), folded.readings - (len(folded.layout.epochs) - separate)


def _hardly_any_prior(folded: Folded) -> Floats:
    n = len(folded.layout.epochs)
    return np.concatenate((np.full(n, NOTHING_KNOWN), np.ones(folded.layout.columns - n)))


def key_numbers(layout: Layout) -> Mapping[Key, int]:
    return {m.key: number for number, m in enumerate(layout.epochs)}
