"""How much each meter of a ride scatters by itself from second to second, once its gain is taken out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analysis.comparison import APART, Setup
from analysis.meter_figures import grid
from analysis.meter_signal import MeterSignal
from analysis.random_errors import LEAST_METERS, RandomErrors, same_scale_errors
from analysis.samples import Floats
from analysis.segments import Segment

LEAST_SECONDS = 120
LEAST_MEAN_W = 30.0


def ride_scatter(
    signals: Mapping[str, MeterSignal], segments: Sequence[Segment], setup: Setup
) -> RandomErrors | None:
    """In % of the power; None for fewer than three meters, or for too few seconds in which all were fresh.

    Every meter is divided by its own mean over each segment: its gain, the chain's loss and its zero offset are then
    gone, and what the rider does is common to all. A meter that smooths otherwise than the rest scatters by that.
    """
    powered = [s for s in signals.values() if s.power is not None]
    tables = [_in_pct(powered, s, setup) for s in segments if s.step_kind not in APART]
    readings = np.concatenate(tables) if tables else np.empty((0, len(powered)))
    if len(powered) < LEAST_METERS or len(readings) < LEAST_SECONDS:
        return None
    return same_scale_errors([s.name for s in powered], readings)


def _in_pct(powered: Sequence[MeterSignal], segment: Segment, setup: Setup) -> Floats:
    if not powered:
        return np.empty((0, 0))
    table = np.stack([grid(s.power, segment, setup.lags_s.get(s.name, 0.0)) for s in powered], axis=1)
    table = table[np.isfinite(table).all(axis=1)]
    if len(table) < 2 or not (table.mean(axis=0) > LEAST_MEAN_W).all():
        return np.empty((0, len(powered)))
    return np.asarray(100 * (table / table.mean(axis=0) - 1), dtype=np.float64)
