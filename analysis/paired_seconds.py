"""The seconds on which two meters are compared, one by one, and how far apart they lie over a whole ride."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.agreement_limits import Limits, limits_of_agreement
from analysis.comparison import APART, Setup
from analysis.meter_figures import grid
from analysis.meter_signal import MeterSignal, shared_cadence
from analysis.power_figures import pedalling_seconds
from analysis.samples import Floats
from analysis.segment_metrics import SegmentMetrics
from analysis.segments import Segment


@dataclass(frozen=True)
class PairedSeconds:
    """Means over whole seconds (n,); `start_s` counts from the start of the recording.

    Both are nan in a second that is not compared: one of them stale, or nobody pedalling.
    """

    start_s: Floats
    meter_w: Floats
    reference_w: Floats

    @property
    def difference_w(self) -> Floats:
        return self.meter_w - self.reference_w

    @property
    def mean_w(self) -> Floats:
        return (self.meter_w + self.reference_w) / 2


@dataclass(frozen=True)
class RideAgreement:
    """All compared seconds of the segments that are neither sprint nor zeroing, with their limits of agreement."""

    meter: str
    seconds: PairedSeconds
    limits_w: Limits | None


def paired_seconds(
    signals: Mapping[str, MeterSignal], meter: str, reference: str, segment: Segment, lag_s: float = 0.0
) -> PairedSeconds:
    """As `comparison.compare` takes them: the meter is read later by its lag."""
    reference_w = grid(signals[reference].power, segment)
    meter_w = grid(signals[meter].power, segment, lag_s)
    cadence = shared_cadence(signals, reference)
    use = np.isfinite(reference_w) & np.isfinite(meter_w)
    if cadence is not None:
        use &= pedalling_seconds(grid(cadence, segment))
    start_s = segment.judged_from_ns / 1e9 + np.arange(len(use), dtype=np.float64)
    return PairedSeconds(start_s, np.where(use, meter_w, np.nan), np.where(use, reference_w, np.nan))


def ride_agreement(
    signals: Mapping[str, MeterSignal], results: Sequence[SegmentMetrics], setup: Setup
) -> dict[str, RideAgreement]:
    """Sprints stay out, as from the line: there unlike smoothing looks like disagreement."""
    usual = [r for r in results if r.segment.step_kind not in APART]
    names = dict.fromkeys(name for r in results for name in r.comparisons)
    return {name: _agreement(name, signals, usual, setup) for name in names}


def _agreement(
    name: str, signals: Mapping[str, MeterSignal], usual: Sequence[SegmentMetrics], setup: Setup
) -> RideAgreement:
    lag_s = setup.lags_s.get(name, 0.0)
    parts = [paired_seconds(signals, name, str(setup.reference), r.segment, lag_s) for r in usual]
    joined = PairedSeconds(
        _joined([p.start_s for p in parts]),
        _joined([p.meter_w for p in parts]),
        _joined([p.reference_w for p in parts]),
    )
    difference_w = joined.difference_w[np.isfinite(joined.difference_w)]
    if difference_w.size < 2:
        return RideAgreement(name, joined, None)
    told = [r.comparisons[name].difference_pct.n_eff for r in usual]
    # Segments are apart in time: their independent seconds add up.
    n_eff = math.fsum(n for n in told if math.isfinite(n))
    return RideAgreement(name, joined, limits_of_agreement(difference_w, n_eff))


def _joined(parts: Sequence[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.empty(0)
