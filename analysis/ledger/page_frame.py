"""The frame of a ledger's pages: style, policy, harmless text, and writing the file whole or not at all."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.errors import BadInput
from analysis.ledger.ledger_figures import partner_key
from analysis.report_page.number_text import typeset
from analysis.report_page.page import GENERATOR
from analysis.safe_text import safe_text
from analysis.version import product_version

LONGEST_TEXT = 1000


@dataclass(frozen=True)
class Key:
    """One entry of a legend."""

    name: str
    svg: Markup


def partner_keys(partners: Sequence[str]) -> tuple[Key, ...]:
    return tuple(Key(name, partner_key(number)) for number, name in enumerate(partners))


def rendered(template: str, **shown: Any) -> str:
    """The whole page. Text from outside is made harmless on its way into the template."""
    style = _style()
    return (
        _environment()
        .get_template(template)
        .render(
            version=product_version(),
            policy=f"default-src 'none'; style-src '{_digest(style)}'; base-uri 'none'; form-action 'none'",
            style=Markup(style),  # noqa: S704 - our own files
            **shown,
        )
    )


def write_page(path: Path, page: str) -> None:
    """:raises BadInput: where it cannot be written, or something else stands there."""
    try:
        if path.exists() and GENERATOR not in path.read_text(encoding="utf-8", errors="replace")[:4096]:
            raise BadInput(f"{safe_text(str(path), 200)} exists and is no page of ours; choose another name.")
        beside = path.with_name(f".{path.name}.tmp")
        beside.write_text(page, encoding="utf-8")
        beside.replace(path)
    except OSError as fault:
        raise BadInput(f"the page cannot be written to {safe_text(str(path), 200)}: {fault.strerror}.") from fault


def _environment() -> Environment:
    found = Environment(
        loader=PackageLoader("analysis.ledger", "."),
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
    return look + files("analysis.ledger").joinpath("ledger.css").read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
