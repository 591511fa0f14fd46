"""The objections as one HTML page that needs nothing else, for paper and screens; its words are made elsewhere."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.pack.case import Case
from analysis.pack.objection import CHAPTERS, LONGEST_TEXT, MEANING, WORDS, Objection
from analysis.pack.objection_text import HOW_TO_READ, TITLE, opening
from analysis.pack.objections import tally
from analysis.report_page.number_text import typeset
from analysis.safe_text import safe_text
from analysis.version import product_version


def objection_page(case: Case, objections: Sequence[Objection]) -> bytes:
    """The whole file. Text from devices is made harmless on its way into the template."""
    style = _style()
    page = _environment().get_template("objections.html")
    shown = page.render(
        version=product_version(),
        policy=f"default-src 'none'; style-src '{_digest(style)}'; base-uri 'none'; form-action 'none'",
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


def _environment() -> Environment:
    found = Environment(
        loader=PackageLoader("analysis.pack", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_safe_shown,
    )
    found.filters["typeset"] = typeset
    return found


def _safe_shown(value: Any) -> Any:
    return safe_text(value, LONGEST_TEXT) if isinstance(value, str) and not isinstance(value, Markup) else value


def _style() -> str:
    look = files("analysis.report_page").joinpath("style.css").read_text(encoding="utf-8")
    return look + files("analysis.pack").joinpath("objections.css").read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
