"""The one border where text from devices, brokers and files is made harmless for terminals, pages and paths."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

REPLACEMENT = "\ufffd"
_LINE_SEPARATORS = "\u2028\u2029"
_RESERVED_STEMS = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"com{i}" for i in range(10)),
    *(f"lpt{i}" for i in range(10)),
}


def safe_text(text: str | bytes, limit: int = 64) -> str:
    """Text with every control, format, surrogate and unassigned character replaced, cut to `limit` characters.

    Escape sequences, C1 codes, bidirectional overrides and line separators cannot pass. Bytes are read as UTF-8.
    """
    if isinstance(text, bytes):
        text = text.decode("utf-8", "replace")
    # Cut before normalising: a hostile text of megabytes must not be worked on as a whole.
    text = unicodedata.normalize("NFC", text[: 4 * limit])
    clean = "".join(
        REPLACEMENT if unicodedata.category(c).startswith("C") or c in _LINE_SEPARATORS else c for c in text
    )
    return clean[:limit]


def safe_path(path: Path) -> str:
    return safe_text(str(path), 200)


def file_slug(text: str) -> str:
    """A file-name part of `[a-z0-9.-]`, at most 64 characters, never hidden, never a reserved device name."""
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9.]+", "-", ascii_text).strip("-.")[:64].strip("-.")
    if not slug or slug.split(".")[0] in _RESERVED_STEMS:
        return f"ride-{slug}".strip("-.")
    return slug
