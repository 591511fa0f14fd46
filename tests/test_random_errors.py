"""Scatter without a reference: Grubbs's chronographs, an identity, and estimates below zero."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.random_errors import same_scale_errors
from analysis.samples import Floats

# Muzzle velocity, m/s, of 12 rounds by three chronographs: Grubbs 1973, Technometrics 15:53. The estimates were
# computed from these data with numpy; the printed ones were not at hand.
CHRONOGRAPHS = np.array(
    [
        [793.8, 794.6, 793.2],
        [793.1, 793.9, 793.3],
        [792.4, 793.2, 792.6],
        [794.0, 794.0, 793.8],
        [791.4, 792.2, 791.6],
        [792.4, 793.1, 791.6],
        [791.7, 792.4, 791.6],
        [792.3, 792.8, 792.4],
        [789.6, 790.2, 788.5],
        [794.4, 795.0, 794.7],
        [790.9, 791.6, 791.3],
        [793.5, 793.8, 793.5],
    ]
)


def simulated(sds: list[float], rounds: int = 4000) -> Floats:
    rng = np.random.default_rng(1)
    true = 200 + 40 * rng.standard_normal(rounds)
    return np.stack([true + s * rng.standard_normal(rounds) for s in sds], axis=1)


def test_three_chronographs() -> None:
    found = same_scale_errors("abc", CHRONOGRAPHS)
    assert found.variance == pytest.approx((0.0065152, 0.0525, 0.2186364), abs=1e-6)
    assert found.sd == pytest.approx((0.0807165, 0.2291288, 0.4675857), abs=1e-6)
    assert found.rounds == 12


def test_variances_of_the_differences_come_out_again() -> None:
    """Three-cornered hat: s_a² + s_b² is the variance of a − b, exactly."""
    a, b, c = same_scale_errors("abc", CHRONOGRAPHS).variance
    for i, j, both in ((0, 1, a + b), (0, 2, a + c), (1, 2, b + c)):
        assert both == pytest.approx(np.var(CHRONOGRAPHS[:, i] - CHRONOGRAPHS[:, j], ddof=1))


@pytest.mark.parametrize("count", [3, 4, 5])
def test_injected_scatter_is_found(count: int) -> None:
    sds = [2.0, 3.0, 1.5, 4.0, 2.5][:count]
    found = same_scale_errors([str(n) for n in range(count)], simulated(sds))
    assert found.sd == pytest.approx(sds, rel=0.1)


def test_a_variance_below_zero_is_said() -> None:
    rng = np.random.default_rng(3)
    true = rng.standard_normal(12)
    shared = 0.5 * rng.standard_normal(12)  # b and c err alike: a takes the blame, and one of them goes below zero
    found = same_scale_errors(
        "abc", np.stack([true, true + shared, true + shared + 0.01 * rng.standard_normal(12)], axis=1)
    )
    assert min(found.variance) < 0
    assert all(math.isnan(s) == (v < 0) for s, v in zip(found.sd, found.variance, strict=True))


def test_gaps_leave_their_round_out() -> None:
    holed = np.vstack([CHRONOGRAPHS, [[math.nan, 790.0, 791.0]]])
    assert same_scale_errors("abc", holed) == same_scale_errors("abc", CHRONOGRAPHS)


def test_too_little_is_refused() -> None:
    with pytest.raises(ValueError, match="3 meters"):
        same_scale_errors("ab", CHRONOGRAPHS[:, :2])
    with pytest.raises(ValueError, match="4 rounds"):
        same_scale_errors("abc", CHRONOGRAPHS[:3])
    with pytest.raises(ValueError, match="no rounds of"):
        same_scale_errors("abcd", CHRONOGRAPHS)
