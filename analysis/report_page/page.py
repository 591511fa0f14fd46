"""Puts a judged recording into one HTML page: template, style, scripts and data inline, guarded by hashes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from analysis.html_page import packaged, page_environment, policy_hash
from analysis.joined_ride import ride_parts
from analysis.judge import Judged
from analysis.meter_signal import bench_signals
from analysis.paired_seconds import ride_agreement
from analysis.part_words import amended_sentences, part_sentences
from analysis.recording_reader import Recording
from analysis.report_page import chart_series, number_text, page_parts, page_words
from analysis.report_page.chart_data import chart_data
from analysis.report_page.facts import ride_facts
from analysis.safe_text import safe_text
from analysis.version import product_version
from analysis.words import MEANS_SENTENCE, comparisons_sentence

PACKAGE = "analysis.report_page"
LONGEST_TEXT = 500
LONGEST_IN_TEMPLATE = 4000
GENERATOR = '<meta name="generator" content="wattproof'
_STYLES = ("uplot.min.css", "style.css")
_SCRIPTS = (
    "uplot.min.js",
    "chart_look.js",
    "time_charts.js",
    "chart_hands.js",
    "other_charts.js",
    "saved_picture.js",
    "page.js",
)


def report_page(recording: Recording, judged: Judged, *sha256: str) -> str:
    """The whole page; `sha256` is that of each file of the ride, in their order.

    Text from outside is made harmless on its way into the template, whichever it is.
    """
    signals = bench_signals(recording.bench, recording.samples)
    agreements = ride_agreement(signals, judged.segments, judged.setup)
    facts = ride_facts(recording, *sha256)
    lead = _lead(recording, judged)
    style, script = packaged(PACKAGE, *_STYLES), packaged(PACKAGE, *_SCRIPTS)
    axes = chart_series.agreement_axes(list(agreements.values()))
    charts = chart_data(recording, judged, signals, agreements, axes)
    digests = " and ".join(f"{digest[:12]}…" for digest in sha256)
    charts["source"] = f"{recording.bench.bench.name}, {lead} · wattproof {product_version()} · SHA-256 {digests}"
    shown: dict[str, Any] = {
        "version": product_version(),
        "policy": _policy(style, script),
        "style": Markup(style),  # noqa: S704 - our own files
        "script": Markup(script),  # noqa: S704
        "chart_licence": packaged(PACKAGE, "uplot-license.txt"),
        "title": recording.bench.bench.name,
        "lead": lead,
        "judged": judged,
        "facts": facts,
        "file_names": [part.name for part in ride_parts(recording)],
        "made_of": part_sentences(recording),
        "cannot_say": list(page_words.cannot_say(recording, judged)),
        "verdicts": page_parts.shown_verdicts(judged, recording),
        "several": comparisons_sentence(judged.verdicts.values()),
        "means": MEANS_SENTENCE,
        "amended": amended_sentences(recording, judged.as_recorded),
        "adjusted": page_parts.shown_adjustment(judged),
        "segment_figures": page_parts.shown_segments(judged),
        "powered": [n for n, f in judged.ride.meters.items() if math.isfinite(f.mean_power_w)],
        "agreements": [
            page_parts.ShownAgreement(name, page_words.agreement_words(a, judged.verdicts.get(name), axes.outside(a)))
            for name, a in agreements.items()
            if a.limits_w is not None
        ],
        "segment_names": {r.segment.segment_no: r.segment.name for r in judged.segments},
        "sided": page_parts.shown_sides(judged),
        "sides_words": page_words.sides_words(recording, judged),
        "drivetrain": page_parts.shown_drivetrain(recording),
        "clocks": page_parts.shown_clocks(recording),
        "charts": _safe(charts),
    }
    shown["sections"] = _sections(shown, judged)
    return _environment().get_template("template.html").render(shown)


def _environment() -> Environment:
    found = page_environment(PACKAGE, LONGEST_IN_TEMPLATE)
    found.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "allow_nan": False, "ensure_ascii": False}
    found.filters.update(
        number=number_text.number,
        clock=number_text.clock,
        typeset=number_text.typeset,
        interval=page_words.interval_words,
        expected=page_words.expected_words,
        tolerance=page_words.tolerance_words,
        difference=page_words.difference_words,
        about_segment=page_words.about_segment,
        lag=page_words.lag_words,
        smoothing=page_words.smoothing_words,
        slower=page_words.slower_words,
        kilojoules=page_words.kilojoules_words,
    )
    found.globals["plus_minus"] = number_text.plus_minus
    return found


def _safe(value: Any) -> Any:
    """The same border for what goes into the page as JSON."""
    if isinstance(value, str):
        return safe_text(value, LONGEST_TEXT)
    if isinstance(value, dict):
        return {_safe(key): _safe(v) for key, v in value.items()}
    # Long lists are numbers only: walking them would take longer than all the rest.
    if isinstance(value, list) and value and not isinstance(value[0], int | float | None):
        return [_safe(v) for v in value]
    return value


def _policy(style: str, script: str) -> str:
    """Nothing is fetched, and only exactly these texts run; pictures are made in the page itself."""
    return (
        f"default-src 'none'; script-src '{policy_hash(script)}'; style-src '{policy_hash(style)}'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def _lead(recording: Recording, judged: Judged) -> str:
    anchors = recording.metadata.utc_anchors
    parts = [number_text.utc(anchors[0][1])] if anchors else []
    parts.append(number_text.duration(recording.end_ns))
    files = len(ride_parts(recording))
    parts += [f"{files} files"] if files > 1 else []
    plan = (recording.metadata.plan or {}).get("plan", {}).get("name")
    parts += [f"plan: {plan}"] if plan else []
    parts.append(f"reference: {judged.reference}" if judged.reference else "no reference")
    return " · ".join(parts)


_SECTIONS = (
    ("verdict", "Verdict", None),
    ("off", "Who is off", "adjusted"),
    ("ride", "Ride", "power"),
    ("segments", "Segments", None),
    ("agreement", "Agreement", "agreements"),
    ("sprints", "Sprints", "sprints"),
    ("sides", "Left and right", "sided"),
    ("cadence", "Cadence", "cadence"),
    ("effects", "Effects", "effects"),
    ("clocks", "Clocks", "clocks"),
    ("quality", "Lag and quality", None),
    ("drivetrain", "Drivetrain", None),
    ("facts", "Facts", None),
)


def _sections(shown: Mapping[str, Any], judged: Judged) -> list[tuple[str, str]]:
    present = {
        "power": shown["charts"]["power"]["series"],
        "cadence": shown["charts"]["cadence"]["series"],
        "adjusted": shown["adjusted"],
        "agreements": shown["agreements"],
        "sided": shown["sided"],
        "clocks": shown["clocks"],
        "sprints": judged.whole.sprints is not None and judged.whole.sprints.sprints,
        "effects": judged.whole.effects,
    }
    return [(id_, name) for id_, name, needs in _SECTIONS if needs is None or present[needs]]
