"""From a recording as read to everything that a report says about it."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.errors import BadInput
from analysis.meter_signal import bench_signals
from analysis.recording_reader import Recording
from analysis.safe_text import safe_text
from analysis.segment_metrics import SegmentMetrics, segment_metrics


@dataclass(frozen=True)
class Judged:
    """All figures of a ride. `reference` is None where there is no meter to compare against."""

    reference: str | None
    segments: tuple[SegmentMetrics, ...]


def judge_recording(recording: Recording, reference: str | None = None) -> Judged:
    """:raises BadInput: for a reference that is no meter of the bench."""
    meters = [m.name for m in recording.bench.meter]
    if reference is not None and reference not in meters:
        raise BadInput(f"there is no meter named `{safe_text(reference)}` here; there are {', '.join(meters)}.")
    chosen = recording.bench.reference
    name = reference or (chosen.name if chosen is not None else None)
    signals = bench_signals(recording.bench, recording.samples)
    return Judged(name, tuple(segment_metrics(signals, segment, name) for segment in recording.segments))
