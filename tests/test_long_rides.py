"""Rides of many hours: what grows faster than their length is bounded."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.effect_blocks import BLOCK_S, MOST_BLOCKS, effect_blocks
from analysis.errors import BadInput
from analysis.joined_ride import joined_ride
from tests.reported_rides import stepped_ride
from tests.simulated_rides import S, segment, sending


@pytest.mark.parametrize(("hours", "step"), [(5, 1), (7, 2), (13, 3)])
def test_the_blocks_of_a_long_ride_are_few_and_from_all_of_it(hours: int, step: int) -> None:
    """A block is 30 s long: 120 an hour, and no more than 720 are looked at."""
    seconds = hours * 3600
    powers = (200 + np.arange(seconds) // 60 % 7).astype(np.float64)
    alder, birch = sending("Alder", powers), sending("Birch", powers + 2)
    found = effect_blocks(birch, alder, [segment(0, seconds)])
    assert len(found.at_s) <= MOST_BLOCKS
    assert found.at_s[0] < 2 * BLOCK_S
    assert found.at_s[-1] > seconds - (step + 1) * BLOCK_S
    assert np.diff(found.at_s) == pytest.approx(step * BLOCK_S, abs=6)
    assert found.difference_pct == pytest.approx(100 * 2 / 203, rel=0.05)


def test_rides_of_different_weeks_are_not_joined(tmp_path: Path) -> None:
    """What lies between them would be gap after gap, second by second, in memory."""
    first = stepped_ride(tmp_path, utc_anchors=((0, 1_795_615_031 * S),))
    soon = stepped_ride(tmp_path, utc_anchors=((0, (1_795_615_031 + 3_600) * S),))
    late = stepped_ride(tmp_path, utc_anchors=((0, (1_795_615_031 + 8 * 86_400) * S),))
    assert joined_ride([first, soon]).end_ns == soon.end_ns + 3_600 * S
    with pytest.raises(BadInput, match="more than a week after the first"):
        joined_ride([first, late])
