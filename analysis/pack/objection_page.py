"""The objections as one HTML page that needs nothing else, for paper and screens; its words are made elsewhere."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from analysis.html_page import packaged, page_environment, style_policy
from analysis.pack.case import Case
from analysis.pack.objection import CHAPTERS, LONGEST_TEXT, MEANING, WORDS, Objection
from analysis.pack.objection_text import HOW_TO_READ, TITLE, opening
from analysis.pack.objections import tally
from analysis.report_page.number_text import typeset
from analysis.version import product_version


def objection_page(case: Case, objections: Sequence[Objection]) -> bytes:
    """The whole file. Text from devices is made harmless on its way into the template."""
    style = packaged("analysis.report_page", "style.css") + packaged("analysis.pack", "objections.css")
    environment = page_environment("analysis.pack", LONGEST_TEXT)
    environment.filters["typeset"] = typeset
    shown = environment.get_template("objections.html").render(
        version=product_version(),
        policy=style_policy(style),
        style=Markup(style),  # noqa: S704 - our own files
        title=TITLE,
        bench=case.recording.bench.bench.name,
        opening=opening(case),
        how_to_read=HOW_TO_READ,
        tally=tally(objections),
        words=list(reversed(WORDS)),
        meaning=MEANING,
        standing={word: [o for o in objections if o.word == word] for word in WORDS},
        chapters=[(c, [o for o in objections if o.chapter == c]) for c in CHAPTERS],
        recording=case.recording.path.name,
    )
    return shown.encode()
