"""What may be printed on a terminal: one line without control, format or unassigned characters (Unicode 4.5, C*)."""

from __future__ import annotations

import unicodedata


def check_line(text: str) -> None:
    """:raises AssertionError: naming the character that could do harm."""
    for character in text:
        if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
            raise AssertionError(f"{character!r} in {text!r}")
