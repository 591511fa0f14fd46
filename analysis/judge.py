"""From a recording as read to everything that a report says about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.adjustment import Adjustment, adjust
from analysis.bench_model import ride_observations
from analysis.comparison import Setup, setup_of
from analysis.errors import BadInput
from analysis.joined_ride import ride_amendments
from analysis.lag import Lag
from analysis.meter_signal import bench_signals
from analysis.random_errors import RandomErrors
from analysis.recording_reader import Recording
from analysis.ride_lag import adopted_lags, ride_lags
from analysis.ride_scatter import ride_scatter
from analysis.ride_verdict import RideVerdict, ride_verdicts
from analysis.safe_text import safe_text
from analysis.segment_metrics import SegmentMetrics, segment_metrics
from analysis.segments import whole_ride
from analysis.whole_ride import WholeRide, whole_ride_figures


@dataclass(frozen=True)
class Judged:
    """All figures of a ride. `lags` are estimated over the whole ride; one that is not determined counts as none.

    What is taken out is in `setup.lags_s`: a lag adopted while recording comes before the estimate. `adjustment`: who
    is off, from this ride alone; None where nothing could be compared. `scatter`: of each meter by itself, in % of
    the power of single seconds; None for fewer than three meters. `as_recorded`: the verdicts without the amendments;
    None where there are none.
    """

    setup: Setup
    lags: Mapping[str, Lag]
    segments: tuple[SegmentMetrics, ...]
    ride: SegmentMetrics
    verdicts: Mapping[str, RideVerdict]
    whole: WholeRide
    adjustment: Adjustment | None
    scatter: RandomErrors | None
    as_recorded: Mapping[str, RideVerdict] | None = None

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
    lags = ride_lags(signals, setup.reference, recording.end_ns)
    estimated_s = {name: lag.lag_s for name, lag in lags.items() if lag.determined}
    # What the rider was shown was judged with the lags adopted on the way; the report must not judge otherwise.
    setup = replace(setup, lags_s=estimated_s | adopted_lags(recording.events, setup.reference))
    segments = segment_metrics(signals, recording.segments, setup)
    (ride,) = segment_metrics(signals, [whole_ride(recording.end_ns)], setup)
    verdicts = ride_verdicts(signals, segments, setup)
    whole = whole_ride_figures(signals, segments, verdicts, setup, recording.events, recording.end_ns)
    told = ride_observations(segments, setup, recording.bench, recording.metadata.session_id)
    adjustment = None if told is None else adjust([told])
    scatter = ride_scatter(signals, recording.segments, setup)
    as_recorded = None
    if ride_amendments(recording):
        as_recorded = ride_verdicts(signals, segment_metrics(signals, recording.recorded_segments, setup), setup)
    return Judged(setup, lags, segments, ride, verdicts, whole, adjustment, scatter, as_recorded)
