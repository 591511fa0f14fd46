"""What pages that need nothing else have in common: templates, style inline, hashes of a policy, harmless text."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.safe_text import safe_text


def page_environment(package: str, longest_text: int) -> Environment:
    """The templates of a package. Text is made harmless on its way into them, and cut where it is longer."""

    def safe_shown(value: Any) -> Any:
        # Markup is what we made ourselves, or what was escaped after it came through here.
        return safe_text(value, longest_text) if isinstance(value, str) and not isinstance(value, Markup) else value

    return Environment(
        loader=PackageLoader(package, "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=safe_shown,
    )


def packaged(package: str, *names: str) -> str:
    """Texts that lie beside the modules of a package, one after the other."""
    return "\n".join(files(package).joinpath(name).read_text(encoding="utf-8") for name in names)


def style_policy(style: str) -> str:
    """For a page without scripts: nothing is fetched, and no style counts but this very text."""
    return f"default-src 'none'; style-src '{policy_hash(style)}'; base-uri 'none'; form-action 'none'"


def policy_hash(text: str) -> str:
    """As Content Security Policy names an inline script or style (CSP Level 2, section 4.2.5)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
