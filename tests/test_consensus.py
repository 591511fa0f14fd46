"""The weighted mean: CODATA's Newtonian constant, arithmetic, statsmodels, and what cannot be combined."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.consensus import consensus
from analysis.samples import Floats

# The 16 measurements of G, 1e-11 m³ kg⁻¹ s⁻², behind the 2018 and 2022 adjustments (CODATA 2018, Rev. Mod. Phys.
# 93:025010, table XXIX; CODATA 2022, arXiv 2409.03787). Inputs from memory, confirmed since the published results
# come out: mean 6.674 30, uncertainty 0.000 15 after a factor of 3.9, Birge ratio 3.6.
GRAVITATION = {
    "NIST-82": (6.67248, 0.00043),
    "TR&D-96": (6.6729, 0.0005),
    "LANL-97": (6.67398, 0.00070),
    "UWash-00": (6.674255, 0.000092),
    "BIPM-01": (6.67559, 0.00027),
    "UWup-02": (6.67422, 0.00098),
    "MSL-03": (6.67387, 0.00027),
    "HUST-05": (6.67222, 0.00087),
    "UZur-06": (6.67425, 0.00012),
    "HUST-09": (6.67349, 0.00018),
    "JILA-18": (6.67260, 0.00025),
    "BIPM-14": (6.67554, 0.00016),
    "LENS-14": (6.67191, 0.00099),
    "UCI-14": (6.67435, 0.00013),
    "HUST-T-18": (6.674184, 0.000078),
    "HUST-A-18": (6.674484, 0.000077),
}
CORRELATIONS = {("NIST-82", "LANL-97"): 0.351, ("HUST-05", "HUST-09"): 0.134, ("HUST-09", "HUST-T-18"): 0.068}


def gravitation() -> tuple[Floats, Floats]:
    names = list(GRAVITATION)
    value, u = np.array(list(GRAVITATION.values())).T
    covariance = np.diag(u**2)
    for (a, b), r in CORRELATIONS.items():
        i, j = names.index(a), names.index(b)
        covariance[i, j] = covariance[j, i] = r * u[i] * u[j]
    return value, covariance


def test_newtonian_constant_comes_out_as_published() -> None:
    found = consensus(*gravitation())
    assert f"{found.mean:.5f}" == "6.67430"
    assert f"{3.9 * found.uncertainty:.5f}" == "0.00015"
    assert f"{found.birge_ratio:.1f}" == "3.6"
    assert not found.consistent


def test_mean_and_misfit_are_those_of_statsmodels() -> None:
    value, covariance = gravitation()
    found = consensus(value, covariance)
    outside = sm.GLS(value, np.ones(value.size), sigma=covariance).fit()
    assert found.mean == pytest.approx(outside.params[0], rel=1e-12)
    assert found.chi2 / found.degrees_of_freedom == pytest.approx(outside.scale)
    assert found.uncertainty == pytest.approx(outside.bse[0] / math.sqrt(outside.scale))


def test_a_result_has_less_doubt_against_the_mean_than_by_itself() -> None:
    # By hand: weights 1/9 and 1/16 over 25/144, u_mean = 12/5; u² = 9 − 144/25 and 16 − 144/25.
    found = consensus([10.0, 15.0], [3.0, 4.0])
    assert found.mean == pytest.approx(10 + 5 * 9 / 25)
    assert found.shares == pytest.approx((16 / 25, 9 / 25))
    assert found.away_uncertainty == pytest.approx((9 / 5, 16 / 5))
    assert found.chi2 == pytest.approx(1.0)
    assert found.probability == pytest.approx(math.erfc(1 / math.sqrt(2)))
    assert found.consistent


def test_one_result_is_its_own_consensus() -> None:
    found = consensus([2.5], [0.1])
    assert (found.mean, found.degrees_of_freedom, found.consistent) == (2.5, 0, True)
    assert math.isnan(found.birge_ratio)


@pytest.mark.parametrize(
    ("results", "uncertainties"),
    [
        ([], []),
        ([1.0, 2.0], [0.1]),
        ([1.0, 2.0], [0.1, 0.0]),
        ([1.0, 2.0], [0.1, math.nan]),
        ([1.0, 2.0], [[1.0, 2.0], [2.0, 1.0]]),
    ],
)
def test_what_cannot_be_combined_is_refused(results: list[float], uncertainties: list[float]) -> None:
    with pytest.raises(ValueError, match="uncertaint"):
        consensus(results, uncertainties)
