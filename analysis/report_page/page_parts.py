"""What the template shows of verdicts, segments, sides and drivetrain, and its drawings: arranged, not worked out."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from analysis.adjustment import UnitError
from analysis.adjustment_words import WITHIN_BELOW, fit_sentence, scatter_sentence, who_sentence, zero_sentences
from analysis.bench_file import Part
from analysis.joined_ride import ride_parts
from analysis.judge import Judged
from analysis.recording_reader import Recording
from analysis.report_page import page_words
from analysis.report_page.clock_figure import clock_svg
from analysis.report_page.verdict_figure import Mark, claims_svg, reach_pct, segments_svg, verdict_svg
from analysis.ride_source import ride_sources
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
class ShownAdjustment:
    says: tuple[str, ...]
    svg: Markup
    units: tuple[tuple[UnitError, str], ...]
    misfit: str
    scatter: str


def shown_adjustment(judged: Judged) -> ShownAdjustment | None:
    found = judged.adjustment
    if found is None:
        return None
    marks = [_own_mark(unit) for unit in found.units]
    says = [who_sentence(found, judged.setup.chain), *zero_sentences(found), fit_sentence(found)]
    return ShownAdjustment(
        tuple(s for s in says if s),
        claims_svg(marks, reach_pct(marks)),
        tuple((unit, page_words.whose_word(unit, found)) for unit in found.units),
        page_words.misfit_words(found),
        "" if judged.scatter is None else scatter_sentence(judged.scatter),
    )


def _own_mark(unit: UnitError) -> Mark:
    """The shapes of the verdicts: a diamond for a meter that is named, a disc for one that is surely within."""
    word = "differs" if unit.named else "agrees" if unit.probability_outside < WITHIN_BELOW else "undecided"
    middle, half_width = (unit.low_pct + unit.high_pct) / 2, (unit.high_pct - unit.low_pct) / 2
    return Mark(unit.name, middle, half_width, unit.claim_pct, word)


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


@dataclass(frozen=True)
class ShownClock:
    sensor: str
    says: str
    svg: Markup | None


def shown_clocks(recording: Recording) -> list[ShownClock]:
    """Of an imported ride; empty for one that was recorded here."""
    sources = [s for part in ride_parts(recording) for s in ride_sources(part.recording.metadata).values()]
    return [ShownClock(s.sensor, s.sentence, clock_svg(s)) for s in sources]
