"""The report as plain text: figures that were computed elsewhere, set in columns; computes nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.recording_reader import Recording
from analysis.segment_metrics import Difference, MeterFigures, SegmentMetrics

_HEAD = ("", "mean W", "best 1 s", "rpm", "covered", "gaps", "against reference")


def report_table(recording: Recording, results: Sequence[SegmentMetrics], reference: str | None) -> str:
    """Lines of at most 80 characters."""
    bench = recording.metadata.bench.get("bench", {}).get("name", "bench")
    minutes, seconds = divmod(round(recording.end_ns / 1e9), 60)
    lines = [f"{bench}, {minutes} min {seconds:02d} s, reference: {reference or 'none'}", _row(_HEAD)]
    for result in results:
        segment = result.segment
        posture = "" if segment.posture == "seated" else f", {segment.posture}"
        settled = f", first {segment.settle_ns / 1e9:g} s left out" if segment.settle_ns else ""
        lines += ["", f"{segment.name}: {(segment.stop_ns - segment.start_ns) / 1e9:.0f} s{posture}{settled}"]
        lines += [_meter_row(f, result.differences.get(f.meter), reference) for f in result.meters.values()]
    return "\n".join(lines) + "\n"


def _meter_row(figures: MeterFigures, difference: Difference | None, reference: str | None) -> str:
    against = "reference" if figures.meter == reference else ""
    if difference is not None:
        against = _number(difference.mean_difference_w, "+.1f", " W")
        if not math.isnan(difference.mean_difference_pct):
            against = f"{against:>9}{difference.mean_difference_pct:+8.2f} %"
    cells = (
        f"  {figures.meter}",
        _number(figures.mean_power_w, ".1f"),
        _number(figures.greatest_1s_w, ".0f"),
        _number(figures.mean_cadence_rpm, ".1f"),
        _number(figures.coverage_pct, ".1f", " %"),
        str(figures.gaps),
        against,
    )
    return _row(cells)


def _row(cells: Sequence[str]) -> str:
    name, mean, best, cadence, covered, gaps, against = cells
    return f"{name[:18]:<18}{mean:>8}{best:>10}{cadence:>8}{covered:>10}{gaps:>6}  {against}".rstrip()


def _number(value: float, form: str, unit: str = "") -> str:
    return "–" if math.isnan(value) else f"{value:{form}}{unit}"
