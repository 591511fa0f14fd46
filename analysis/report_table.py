"""The report as plain text: figures and words that were made elsewhere, set in columns; computes nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import fill

from analysis.adjustment_words import adjustment_sentences, scatter_sentence
from analysis.comparison import Comparison
from analysis.joined_ride import ride_parts
from analysis.judge import Judged
from analysis.meter_figures import MeterFigures
from analysis.part_words import amended_sentences, part_sentences
from analysis.plain_text import minutes
from analysis.recording_reader import Recording
from analysis.ride_source import ride_sources
from analysis.segment_metrics import SegmentMetrics
from analysis.words import (
    MEANS_SENTENCE,
    comparisons_sentence,
    ride_sentence,
    untimed_sentences,
    verdict_sentence,
)

WIDTH = 80
_HEAD = ("", "mean W", "max 1 s", "rpm", "covered", "gaps", "against reference")


def report_table(recording: Recording, judged: Judged) -> str:
    """Lines of at most 80 characters: every segment, then the verdicts, where the eye is when it has scrolled by."""
    bench = recording.metadata.bench.get("bench", {}).get("name", "bench")
    lines = [f"{bench}, {minutes(recording.end_ns / 1e9)}, reference: {judged.reference or 'none'}", "", _row(_HEAD)]
    sources = [s.sentence for p in ride_parts(recording) for s in ride_sources(p.recording.metadata).values()]
    made_of = [_wrapped(sentence) for sentence in (*part_sentences(recording), *sources)]
    lines[1:1] = ["", *made_of] if made_of else []
    for result in judged.segments:
        lines += ["", _segment_head(result)]
        lines += [_meter_row(f, result.comparisons.get(f.meter), judged.reference) for f in result.meters.values()]
    untimed = untimed_sentences(recording.events, recording.samples)
    lines += ["", *(_wrapped(s) for s in untimed)] if untimed else []
    if judged.verdicts:
        lines.append("")
        lines += [_wrapped(verdict_sentence(v)) for v in judged.verdicts.values()]
        lines.append(fill(comparisons_sentence(judged.verdicts.values()), WIDTH))
        lines.append(fill(MEANS_SENTENCE, WIDTH))
    lines += [_wrapped(s) for s in amended_sentences(recording, judged.as_recorded)]
    if judged.verdicts:
        lines.append("")
        lines += [_wrapped(ride_sentence(name, judged.lags.get(name), judged.whole)) for name in judged.verdicts]
    if judged.adjustment is not None:
        lines += ["", *(_wrapped(s) for s in adjustment_sentences(judged.adjustment, judged.setup.chain))]
    if judged.scatter is not None:
        lines.append(_wrapped(scatter_sentence(judged.scatter)))
    return "\n".join(lines) + "\n"


def _wrapped(sentence: str) -> str:
    return fill(sentence, WIDTH, subsequent_indent="    ")


def _segment_head(result: SegmentMetrics) -> str:
    segment = result.segment
    posture = "" if segment.posture == "seated" else f", {segment.posture}"
    settled = f", first {segment.settle_ns / 1e9:g} s left out" if segment.settle_ns else ""
    cut = ", interrupted" if segment.ended_by == "interrupted" else ""
    load = f", {segment.resistance.words}" if segment.resistance else ""
    return fill(
        f"{segment.name}: {(segment.stop_ns - segment.start_ns) / 1e9:.0f} s{posture}{settled}{load}{cut}",
        WIDTH,
        subsequent_indent="    ",
    )


def _meter_row(figures: MeterFigures, comparison: Comparison | None, reference: str | None) -> str:
    against = "reference" if figures.meter == reference else ""
    if comparison is not None:
        against = _against(comparison)
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


def _against(comparison: Comparison) -> str:
    watts = _number(comparison.mean_difference_w, "+.1f", " W")
    difference = comparison.difference_pct
    if math.isnan(difference.mean):
        return watts
    if not math.isfinite(difference.half_width) or difference.too_short:
        return f"{watts:>8}{difference.mean:+7.2f} %"
    return f"{watts:>8}{difference.mean:+7.2f} ± {difference.half_width:.2f} %"


def _row(cells: Sequence[str]) -> str:
    name, mean, best, cadence, covered, gaps, against = cells
    return f"{name[:13]:<13}{mean:>8}{best:>9}{cadence:>7}{covered:>9}{gaps:>6}  {against}".rstrip()


def _number(value: float, form: str, unit: str = "") -> str:
    return "–" if math.isnan(value) else f"{value:{form}}{unit}"
