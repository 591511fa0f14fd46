"""The linear algebra: GUM H.3, statsmodels, and scipy's densities of a model that eliminates nothing."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.sparse import csr_array
from scipy.stats import multivariate_normal

from analysis.adjustment_prior import FAULTY_ZERO_SDS, ClaimPrior
from analysis.adjustment_solver import Solution
from analysis.adjustment_sums import Figures, Folded, Layout, fold, layout_of, measured_scales, misfit
from analysis.bench_model import REFERENCE_TORQUE_NM, RideObservations
from analysis.ride_equations import between_segments_variance, ride_equations
from analysis.samples import Floats
from analysis.tolerance import ChainLoss
from tests.adjusted_benches import Truth, meter, ridden

ALDER, BIRCH, DOGWOOD = meter("Alder"), meter("Birch"), meter("Dogwood", claim_pct=2.0)
CEDAR = meter("Cedar", behind=True, claim_pct=1.5)
TRUTH = Truth({"Birch": 0.7, "Cedar": -1.1}, {"Dogwood": 0.2}, loss_pct=3.0, stray_pct=0.3)
CHAIN = ChainLoss(2.5, 1.0, 0.1, 0.05)


def network() -> list[RideObservations]:
    return [
        ridden((ALDER, BIRCH, CEDAR), TRUTH, ride="one", seed=1, chain=CHAIN, chain_id="new chain"),
        ridden((CEDAR, DOGWOOD), TRUTH, ride="two", seed=2, chain=CHAIN),
        ridden((BIRCH, DOGWOOD, ALDER), TRUTH, ride="three", seed=3, chain=CHAIN, chain_id="new chain"),
    ]


class Whole:
    """The same model with every unknown in sight: scales, chains, and each ride's zero offsets."""

    def __init__(self, rides: list[RideObservations], layout: Layout) -> None:
        self.layout, self.n = layout, len(layout.epochs)
        place = {m.key: number for number, m in enumerate(layout.epochs)}
        y, noise, blocks = [], [], []
        zeros, chains = len(layout.mounted), len(rides) + 1
        first = 0
        for number, ride in enumerate(rides):
            found = ride_equations(ride)
            block = np.zeros((found.y.size, self.n + zeros + 2 * chains))
            block[:, [place[m.key] for m in ride.meters]] = found.scales
            block[:, self.n + first : self.n + first + len(ride.meters)] = found.own
            first += len(ride.meters)
            chain = self.n + zeros + (2 * number if ride.chain_id is None else 2 * (chains - 1))
            block[:, chain : chain + 2] = found.chain
            y.append(found.y)
            noise.append(found.noise)
            blocks.append(block)
        self.y, self.design = np.concatenate(y), np.vstack(blocks)
        self.noise = np.zeros((self.y.size, self.y.size))
        at = 0
        for block in noise:
            self.noise[at : at + len(block), at : at + len(block)] = block
            at += len(block)

    def prior(self, faults: frozenset[int]) -> Floats:
        variance = np.ones(self.design.shape[1])
        for i, epoch in enumerate(self.layout.epochs):
            claim = ClaimPrior(epoch.claim_pct)
            variance[i] = (claim.faulty_sd_pct if i in faults else claim.scale_sd_pct) ** 2
        for fault in (f for f in faults if f >= self.n):
            variance[fault] += FAULTY_ZERO_SDS**2
        return variance

    def log_evidence(self, faults: frozenset[int]) -> float:
        covariance = self.noise + self.design @ np.diag(self.prior(faults)) @ self.design.T
        return float(multivariate_normal(cov=covariance).logpdf(self.y))

    def errors(self, faults: frozenset[int]) -> tuple[Floats, Floats]:
        inverse = np.linalg.inv(self.noise)
        covariance = np.linalg.inv(self.design.T @ inverse @ self.design + np.diag(1 / self.prior(faults)))
        wanted = np.zeros((self.n, self.design.shape[1]))
        wanted[:, : self.n] = np.eye(self.n)
        for epoch in range(self.n):
            own = [k for k, (_, e) in enumerate(self.layout.mounted) if e == epoch]
            sd_nm = ClaimPrior(self.layout.epochs[epoch].claim_pct).offset_sd_nm
            wanted[epoch, [self.n + k for k in own]] = 100 / REFERENCE_TORQUE_NM * sd_nm / len(own)
        mean = wanted @ covariance @ self.design.T @ inverse @ self.y
        return np.asarray(mean), np.diag(wanted @ covariance @ wanted.T)


def test_every_combination_is_that_of_a_model_without_elimination() -> None:
    rides = network()
    layout = layout_of(rides)
    solution, whole = Solution(fold(rides, layout)), Whole(rides, layout)
    suspects = range(len(layout.epochs) + len(layout.mounted))
    nothing = whole.log_evidence(frozenset())
    for faults in [frozenset(c) for size in (0, 1, 2) for c in combinations(suspects, size)]:
        alone, more = solution.log_evidence_of_one_more(faults)
        assert alone == pytest.approx(whole.log_evidence(faults) - nothing, abs=1e-6)
        assert set(np.flatnonzero(np.isnan(more))) == set(faults)
        mean, variance = whole.errors(faults)
        found = solution.posterior(faults).errors
        assert found.mean == pytest.approx(mean, abs=1e-8)
        assert found.variance == pytest.approx(variance, abs=1e-8)
    _, more = solution.log_evidence_of_one_more(frozenset({0, 6}))
    assert more[3] == pytest.approx(whole.log_evidence(frozenset({0, 6, 3})) - nothing, abs=1e-6)


def test_measured_scales_are_those_of_statsmodels() -> None:
    """Alder's scale set to 0, as only differences have a meaning; chains' loss enters as a measured value."""
    rides = network()
    layout = layout_of(rides)
    folded, whole = fold(rides, layout), Whole(rides, layout)
    scales, covariance = measured_scales(folded)
    keep = [i for i in range(whole.design.shape[1]) if i != 0]
    known = [i for i in keep if i >= whole.n]  # whatever has a prior counts as an observation of 0 ± 1
    pseudo = np.zeros((len(known), whole.design.shape[1]))
    pseudo[range(len(known)), known] = 1.0
    design = np.vstack((whole.design, pseudo))[:, keep]
    sigma = np.eye(len(design))
    sigma[: whole.y.size, : whole.y.size] = whole.noise
    outside = sm.GLS(np.concatenate((whole.y, np.zeros(len(known)))), design, sigma=sigma).fit()
    for i in range(1, whole.n):
        assert scales[i] - scales[0] == pytest.approx(outside.params[i - 1], abs=1e-6)
        own = covariance[i, i] + covariance[0, 0] - 2 * covariance[0, i]
        assert math.sqrt(own) == pytest.approx(outside.bse[i - 1] / math.sqrt(outside.scale), rel=1e-5)
    chi2, freedom = misfit(folded, 1)
    assert freedom == outside.df_resid
    assert chi2 == pytest.approx(outside.scale * outside.df_resid, rel=1e-6)


def test_straight_line_of_the_gum() -> None:
    """JCGM 100:2008, H.3: corrections of a thermometer; inputs from memory, confirmed by the printed results."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    design, s = np.column_stack((np.ones(11), t - 20)), 0.00349756
    nothing = Figures(csr_array((0, 2)), np.zeros(0), np.zeros(0), csr_array((0, 0)))
    layout = Layout((ALDER, BIRCH), (), ())
    information, right_side = design.T @ design / s**2, design.T @ b / s**2
    folded = Folded(layout, information, right_side, float(b @ b) / s**2, 11, nothing, nothing)
    (y1, y2), covariance = measured_scales(folded)
    assert (f"{y1:.4f}", f"{y2:.5f}") == ("-0.1712", "0.00218")
    u1, u2 = np.sqrt(np.diag(covariance))
    assert (f"{u1:.4f}", f"{u2:.5f}") == ("0.0029", "0.00067")
    assert f"{covariance[0, 1] / (u1 * u2):.2f}" == "-0.93"
    at_30 = np.array([1.0, 10.0])
    assert f"{at_30 @ [y1, y2]:.4f}" == "-0.1494"
    assert f"{math.sqrt(at_30 @ covariance @ at_30):.4f}" == "0.0041"
    chi2, freedom = misfit(folded, 0)
    assert chi2 / freedom == pytest.approx(1.0, rel=1e-4)  # s is the printed standard deviation of the fit


def test_readings_of_one_segment_share_the_reference() -> None:
    found = ride_equations(ridden((ALDER, BIRCH, DOGWOOD), Truth(), variance_pct2=0.04))
    between = between_segments_variance(found.ride)
    assert found.noise[0, 0] == pytest.approx(0.04 + 2 * between)
    assert found.noise[0, 1] == pytest.approx(0.02 + between)
    assert found.noise[0, 2] == 0


def test_scatter_between_segments_is_learnt_from_them() -> None:
    quiet = between_segments_variance(ridden((ALDER, BIRCH, DOGWOOD), Truth()))
    wild = between_segments_variance(ridden((ALDER, BIRCH, DOGWOOD), Truth(stray_pct=1.0), seed=4))
    assert quiet < 0.25**2 < 0.4**2 < wild
    few = ridden((ALDER, BIRCH), Truth())
    few = RideObservations(few.ride, few.reference, few.meters, few.segments[:1])
    assert between_segments_variance(few) == pytest.approx(0.25**2)  # as assumed
