"""What the template shows of verdicts, segments, sides and drivetrain, and its drawings: arranged, not worked out."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from analysis.bench_file import Part
from analysis.judge import Judged
from analysis.recording_reader import Recording
from analysis.report_page import page_words
from analysis.report_page.verdict_figure import Mark, reach_pct, segments_svg, verdict_svg
from analysis.ride_verdict import RideVerdict
from analysis.words import tolerance_sentence, verdict_sentence


@dataclass(frozen=True)
class ShownVerdict:
    verdict: RideVerdict
    about: str
    says: str
    tolerance: str
    svg: Markup


@dataclass(frozen=True)
class ShownSegments:
    meter: str
    svg: Markup


@dataclass(frozen=True)
class ShownAgreement:
    meter: str
    words: str


@dataclass(frozen=True)
class ShownPart:
    meter: str
    part: Part


@dataclass(frozen=True)
class ShownDrivetrain:
    words: str
    parts: tuple[ShownPart, ...]


def _mark(name: str, verdict: RideVerdict) -> Mark:
    j = verdict.judgement
    return Mark(name, j.away_pct, j.half_width_pct, j.tolerance_pct, j.word)


def shown_verdicts(judged: Judged, recording: Recording) -> list[ShownVerdict]:
    marks = {name: _mark(name, v) for name, v in judged.verdicts.items()}
    reach = reach_pct(list(marks.values()))
    about = {m.name: m for m in recording.bench.meter}
    return [
        ShownVerdict(
            v,
            page_words.about_meter(about.get(name)),
            verdict_sentence(v),
            tolerance_sentence(v),
            verdict_svg(marks[name], reach),
        )
        for name, v in judged.verdicts.items()
    ]


def shown_segments(judged: Judged) -> list[ShownSegments]:
    marks: dict[str, list[Mark]] = {name: [] for name in judged.verdicts}
    for result in judged.segments:
        for name, c in result.comparisons.items():
            half = math.inf if c.away_pct.too_short else c.away_pct.half_width
            allowed = math.nan if c.tolerance is None else c.tolerance.pct
            marks[name].append(Mark(result.segment.name, c.away_pct.mean, half, allowed, c.word))
    reach = reach_pct([m for found in marks.values() for m in found])
    return [ShownSegments(name, segments_svg(name, found, reach)) for name, found in marks.items()]


@dataclass(frozen=True)
class ShownSides:
    name: str
    split: str


def shown_sides(judged: Judged) -> list[ShownSides]:
    return [
        ShownSides(name, f.split)
        for name, f in judged.ride.meters.items()
        if any(math.isfinite(r.meters[name].left_share_pct) for r in judged.segments)
    ]


def shown_drivetrain(recording: Recording) -> ShownDrivetrain:
    parts = tuple(ShownPart(m.name, p) for m in recording.bench.meter for p in m.parts)
    return ShownDrivetrain(page_words.drivetrain_words(recording), parts)
