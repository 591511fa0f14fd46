"""All data of the page's charts as one JSON object."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from analysis.judge import Judged
from analysis.meter_signal import MeterSignal
from analysis.paired_seconds import RideAgreement
from analysis.recording_reader import Recording
from analysis.report_page import chart_series


def chart_data(
    recording: Recording,
    judged: Judged,
    signals: Mapping[str, MeterSignal],
    agreements: Mapping[str, RideAgreement],
    axes: chart_series.Axes,
) -> dict[str, Any]:
    first = [judged.reference] if judged.reference else []
    return {
        "end_s": recording.end_ns / 1e9,
        "meters": [*first, *(n for n in signals if n != judged.reference)],
        "segments": [
            {
                "name": r.segment.name,
                "start_s": r.segment.start_ns / 1e9,
                "stop_s": r.segment.stop_ns / 1e9,
            }
            for r in judged.segments
        ],
        "power": chart_series.power_chart(signals, recording.end_ns),
        "cadence": chart_series.cadence_chart(signals, recording.end_ns),
        "difference": chart_series.difference_chart(signals, judged.verdicts, judged.setup, recording.end_ns),
        "segment_means": {name: _segment_means(name, judged) for name in judged.verdicts},
        "agreement": {n: chart_series.agreement_chart(a) for n, a in agreements.items() if a.limits_w is not None},
        "agreement_axes": asdict(axes),
        "sprints": chart_series.sprint_charts(judged.whole.sprints),
    }


def _segment_means(name: str, judged: Judged) -> list[dict[str, float | None]]:
    found: list[dict[str, float | None]] = []
    for r in judged.segments:
        c = r.comparisons.get(name)
        if c is None or not math.isfinite(c.mean_difference_w):
            continue
        told = math.isfinite(c.half_width_w) and not c.difference_pct.too_short
        found.append(
            {
                "start_s": r.segment.judged_from_ns / 1e9,
                "stop_s": r.segment.stop_ns / 1e9,
                "mean_w": c.mean_difference_w,
                "half_width_w": c.half_width_w if told else None,
            }
        )
    return found
