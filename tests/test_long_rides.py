"""Rides of many hours: what grows faster than their length is bounded."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.effect_blocks import BLOCK_S, MOST_BLOCKS, effect_blocks
from tests.simulated_rides import segment, sending


@pytest.mark.parametrize(("hours", "step"), [(5, 1), (7, 2), (13, 3)])
def test_the_blocks_of_a_long_ride_are_few_and_from_all_of_it(hours: int, step: int) -> None:
    """A block is 30 s long: 120 an hour, and no more than 720 are looked at."""
    seconds = hours * 3600
    powers = 200 + np.arange(seconds) // 60 % 7
    alder, birch = sending("Alder", powers), sending("Birch", powers + 2)
    found = effect_blocks(birch, alder, [segment(0, seconds)])
    assert len(found.at_s) <= MOST_BLOCKS
    assert found.at_s[0] < 2 * BLOCK_S
    assert found.at_s[-1] > seconds - (step + 1) * BLOCK_S
    assert np.diff(found.at_s) == pytest.approx(step * BLOCK_S, abs=6)
    assert found.difference_pct == pytest.approx(100 * 2 / 203, rel=0.05)
