"""Knows the posterior of an adjustment for every combination of sound and faulty meters, in closed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array, vstack

from analysis.adjustment_prior import FAULTY_ZERO_SDS, ClaimPrior, Combination
from analysis.adjustment_sums import NOTHING_KNOWN, Folded
from analysis.bench_model import REFERENCE_TORQUE_NM
from analysis.samples import Floats


@dataclass(frozen=True)
class Normal:
    """Means and variances of several figures."""

    mean: Floats
    variance: Floats

    def part(self, first: int, count: int) -> Normal:
        return Normal(self.mean[first : first + count], self.variance[first : first + count])


@dataclass(frozen=True)
class Posterior:
    """Of each epoch, for one combination of faults. `errors`: scale and mean zero offset at the reference torque.

    Errors and scales in log per cent; offsets in N·m, the chain's drag taken off behind it: only the sum is known.
    """

    errors: Normal
    scales: Normal
    offsets: Normal


class Solution:
    """The posterior if all were sound, and from there that of any combination of faults.

    Faults are numbered: first the scale of each epoch, then the zero offset of each meter in each ride. A fault only
    lowers the precision of one unknown: a change of low rank (Woodbury's identity).
    """

    def __init__(self, folded: Folded) -> None:
        self._n = n = len(folded.layout.epochs)
        self._suspects = n + len(folded.layout.mounted)
        priors = [ClaimPrior(m.claim_pct) for m in folded.layout.epochs]
        scale_precision = np.array([p.scale_sd_pct**-2 for p in priors])
        faulty_scale = np.array([p.faulty_sd_pct**-2 for p in priors])
        self._precision = np.ones(self._suspects)
        self._precision[:n] = scale_precision
        self._faulty_precision = np.full(self._suspects, 1 / (1 + FAULTY_ZERO_SDS**2))
        self._faulty_precision[:n] = faulty_scale
        chains = np.ones(folded.layout.columns - n)
        self._covariance = np.linalg.inv(folded.information + np.diag(np.concatenate((scale_precision, chains))))
        self._stack(folded)
        mean = self._covariance @ folded.right_side
        spread = self._rows.multiply(self._rows @ self._covariance).sum(axis=1)
        self._sound = Normal(self._rows @ mean + self._own_mean, spread + self._own_variance)
        self._columns: dict[int, Floats] = {}

    def _stack(self, folded: Folded) -> None:
        """All figures as rows: the suspects, then the error of each epoch, then its offset less the chain's drag."""
        n, offsets, in_pct = self._n, folded.offsets, 100 / REFERENCE_TORQUE_NM
        scales = csr_array(np.eye(n, folded.layout.columns))
        errors = scales + in_pct * offsets.from_columns[:n]
        self._rows = vstack((scales, folded.zeros.from_columns, errors, offsets.from_columns[n:]), format="csr")
        self._own_mean = np.concatenate(
            (np.zeros(n), folded.zeros.own_mean, in_pct * offsets.own_mean[:n], offsets.own_mean[n:])
        )
        self._own_variance = np.concatenate(
            (np.zeros(n), folded.zeros.own_variance, in_pct**2 * offsets.own_variance[:n], offsets.own_variance[n:])
        )
        without = csr_array((n, len(folded.layout.mounted)))
        with_zeros = offsets.own_with_zeros
        own = (without, folded.zeros.own_with_zeros, in_pct * with_zeros[:n], with_zeros[n:])
        self._own_with_zeros = vstack(own, format="csc")

    def log_evidence_of_one_more(self, faults: Combination) -> tuple[float, Floats]:
        """log of p(y | these faults) over p(y | none), and the same with each other fault added (nan for its own)."""
        alone = self._log_evidence(sorted(faults))
        after = self._figures(faults)
        more = self._faulty_precision - self._precision
        gain = 1 + more * after.variance[: self._suspects]
        gain[sorted(faults)] = np.nan
        ratio = self._faulty_precision / self._precision
        fit = -more * after.mean[: self._suspects] ** 2 / gain
        return alone, alone + 0.5 * (np.log(ratio) - np.log(gain) + fit)

    def posterior(self, faults: Combination) -> Posterior:
        figures, n = self._figures(faults), self._n
        first = self._suspects
        return Posterior(figures.part(first, n), figures.part(0, n), figures.part(first + n, n))

    def seen_by_others(self) -> tuple[Normal, Floats]:
        """Each epoch's error if nothing were claimed for it and all others were sound, and whose word that is.

        The second is (n, n): the share of each other epoch in the measure that this one is held against.
        """
        n, precision = self._n, self._precision[: self._n]
        scale_variance = np.diag(self._covariance)[:n]
        change = 1 / (1 / (NOTHING_KNOWN - precision) + scale_variance)
        error = self._sound.part(self._suspects, n)
        part = np.diag((self._rows @ self._covariance[:, :n])[self._suspects : self._suspects + n])
        shares = self._covariance[:n, :n] * (1 - scale_variance * change)[:, None] * precision
        np.fill_diagonal(shares, 0.0)
        return Normal(error.mean - part * change * self._sound.mean[:n], error.variance - part**2 * change), shares

    def _figures(self, faults: Combination) -> Normal:
        if not faults:
            return self._sound
        which = sorted(faults)
        covariance = np.column_stack([self._column(i) for i in which])
        gain = covariance @ self._change(which)
        mean = self._sound.mean - gain @ self._sound.mean[which]
        return Normal(mean, self._sound.variance - np.sum(gain * covariance, axis=1))

    def _column(self, suspect: int) -> Floats:
        """Covariance of all figures with one suspect, if all are sound."""
        if suspect not in self._columns:
            row = self._rows[[suspect]].toarray()[0]
            column = self._rows @ (self._covariance @ row)
            if suspect >= self._n:
                column = column + self._own_with_zeros[:, [suspect - self._n]].toarray()[:, 0]
            self._columns[suspect] = column
        return self._columns[suspect]

    def _between(self, which: list[int]) -> Floats:
        return np.array([self._column(i)[which] for i in which]).reshape(len(which), len(which))

    def _change(self, which: list[int]) -> Floats:
        precision = (self._faulty_precision - self._precision)[which]
        return np.asarray(np.linalg.inv(np.diag(1 / precision) + self._between(which)))

    def _log_evidence(self, which: list[int]) -> float:
        precision = (self._faulty_precision - self._precision)[which]
        within = np.eye(len(which)) + precision[:, None] * self._between(which)
        prior = float(np.sum(np.log(self._faulty_precision[which] / self._precision[which])))
        means = self._sound.mean[which]
        fit = -float(means @ self._change(which) @ means)
        return 0.5 * (prior - float(np.linalg.slogdet(within)[1]) + fit)
