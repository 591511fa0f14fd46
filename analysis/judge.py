"""From a recording as read to everything that a report says about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.comparison import Setup, setup_of
from analysis.errors import BadInput
from analysis.grid import HeldSignal
from analysis.lag import RATE_HZ, Lag, estimate_lag
from analysis.meter_signal import MeterSignal, bench_signals
from analysis.recording_reader import Recording
from analysis.ride_verdict import RideVerdict, ride_verdicts
from analysis.safe_text import safe_text
from analysis.samples import Floats
from analysis.segment_metrics import SegmentMetrics, segment_metrics
from analysis.segments import whole_ride
from analysis.whole_ride import WholeRide, whole_ride_figures


@dataclass(frozen=True)
class Judged:
    """All figures of a ride. `lags` are estimated over the whole ride; one that is not determined counts as none."""

    setup: Setup
    lags: Mapping[str, Lag]
    segments: tuple[SegmentMetrics, ...]
    ride: SegmentMetrics
    verdicts: Mapping[str, RideVerdict]
    whole: WholeRide

    @property
    def reference(self) -> str | None:
        return self.setup.reference


def judge_recording(recording: Recording, reference: str | None = None, *, worst_case: bool = False) -> Judged:
    """:raises BadInput: for a reference that is no meter of the bench."""
    meters = [m.name for m in recording.bench.meter]
    if reference is not None and reference not in meters:
        raise BadInput(f"there is no meter named `{safe_text(reference)}` here; there are {', '.join(meters)}.")
    signals = bench_signals(recording.bench, recording.samples)
    setup = replace(setup_of(recording.bench, reference), worst_case=worst_case)
    if setup.reference not in signals or signals[setup.reference].power is None:
        setup = replace(setup, reference=None)  # it never sent any power: there is nothing to compare against
    lags = _lags(signals, setup.reference, recording.end_ns)
    setup = replace(setup, lags_s={name: lag.lag_s for name, lag in lags.items() if lag.determined})
    segments = segment_metrics(signals, recording.segments, setup)
    (ride,) = segment_metrics(signals, [whole_ride(recording.end_ns)], setup)
    verdicts = ride_verdicts(signals, segments, setup)
    whole = whole_ride_figures(signals, segments, verdicts, setup, recording.events, recording.end_ns)
    return Judged(setup, lags, segments, ride, verdicts, whole)


def _lags(signals: Mapping[str, MeterSignal], reference: str | None, end_ns: int) -> dict[str, Lag]:
    base = signals[reference].power if reference is not None else None
    if base is None:
        return {}
    base_w = _quarter_seconds(base, end_ns)
    return {
        name: estimate_lag(_quarter_seconds(signal.power, end_ns), base_w)
        for name, signal in signals.items()
        if signal.power is not None and name != reference
    }


def _quarter_seconds(held: HeldSignal, end_ns: int) -> Floats:
    """Means on the 4 Hz grid that lags are estimated on; nan where anything of the step is stale."""
    step_ns = 1_000_000_000 // RATE_HZ
    part = held.between(step_ns * np.arange(end_ns // step_ns + 1, dtype=np.int64))
    return np.where(part.fresh_ns == step_ns, part.value_ns / step_ns, np.nan)
