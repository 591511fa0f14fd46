"""The frame of a ledger's pages: style, policy, harmless text, and writing the file whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from analysis.errors import BadInput
from analysis.html_page import packaged, page_environment, style_policy
from analysis.ledger.ledger_figures import partner_key
from analysis.report_page.number_text import typeset
from analysis.report_page.page import GENERATOR
from analysis.safe_text import safe_path
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
    style = packaged("analysis.report_page", "style.css") + packaged("analysis.ledger", "ledger.css")
    environment = page_environment("analysis.ledger", LONGEST_TEXT)
    environment.filters["typeset"] = typeset
    return environment.get_template(template).render(
        version=product_version(),
        policy=style_policy(style),
        style=Markup(style),  # noqa: S704 - our own files
        **shown,
    )


def write_page(path: Path, page: str) -> None:
    """:raises BadInput: where it cannot be written, or something else stands there."""
    try:
        if path.exists() and GENERATOR not in path.read_text(encoding="utf-8", errors="replace")[:4096]:
            raise BadInput(f"{safe_path(path)} exists and is no page of ours; choose another name.")
        beside = path.with_name(f".{path.name}.tmp")
        beside.write_text(page, encoding="utf-8")
        beside.replace(path)
    except OSError as fault:
        raise BadInput(f"the page cannot be written to {safe_path(path)}: {fault.strerror}.") from fault
