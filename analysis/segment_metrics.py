"""The figures of every meter over every segment, compared with the reference: live and offline call this."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.comparison import Comparison, Setup, compare
from analysis.meter_figures import MeterFigures, meter_figures
from analysis.meter_signal import MeterSignal
from analysis.segments import Segment


@dataclass(frozen=True)
class SegmentMetrics:
    """`meters` holds every meter and sensor that sent anything; `comparisons` all meters but the reference."""

    segment: Segment
    meters: Mapping[str, MeterFigures]
    comparisons: Mapping[str, Comparison]


def segment_metrics(
    signals: Mapping[str, MeterSignal], segments: Sequence[Segment], setup: Setup
) -> tuple[SegmentMetrics, ...]:
    """One result per segment, after its settling time; the segments inform each other's intervals."""
    comparisons = compare(signals, segments, setup)
    return tuple(
        SegmentMetrics(segment, {name: meter_figures(signal, segment) for name, signal in signals.items()}, compared)
        for segment, compared in zip(segments, comparisons, strict=True)
    )


def measured_left_share_pct(result: SegmentMetrics) -> float:
    """Of the first meter that measures both sides and says whose share it sends; nan without one."""
    measured = (f for f in result.meters.values() if f.split == "measured" and f.balance_reference == "left")
    return next((f.left_share_pct for f in measured if f.left_share_pct > 0), math.nan)
