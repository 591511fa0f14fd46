"""Knows how a number, a time or a link state reads on the screen; computes nothing."""

from __future__ import annotations

import math

from analysis.verdict import Word
from recorder.live_snapshot import MeterView

NOTHING = "–"
MINUS = "\u2212"
SIGNS: dict[Word, str] = {"agrees": "=", "differs": "≠", "undecided": "?"}


def plain(value: float, decimals: int = 0) -> str:
    return f"{value:.{decimals}f}".replace("-", MINUS) if math.isfinite(value) else NOTHING


def signed(value: float, decimals: int = 0) -> str:
    """With its sign; zero as it is printed has none."""
    if not math.isfinite(value):
        return NOTHING
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text.replace("-", MINUS)


def signed_pct(value: float) -> str:
    """One decimal, none from 100 on, so that it keeps within five characters in any sane case."""
    return signed(value, 0 if abs(value) >= 99.95 else 1)


def clock(seconds: float) -> str:
    """`7:05`, `1:02:03`; nothing finite is nothing known."""
    if not math.isfinite(seconds):
        return NOTHING
    whole = max(0, math.floor(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def roughly(seconds: float) -> str:
    """How much longer, in one glance: `40 s`, `4 min`, `2 h`."""
    if seconds < 90:
        return f"{max(10, 10 * math.ceil(seconds / 10))} s"
    if seconds < 90 * 60:
        return f"{math.ceil(seconds / 60)} min"
    return f"{math.ceil(seconds / 3600)} h"


def span(seconds: int) -> str:
    return f"{seconds} s" if seconds < 120 else f"{seconds // 60} min"


def link_words(meter: MeterView) -> str:
    if meter.link == "silent" and math.isfinite(meter.silent_s):
        return f"silent {roughly_silent(meter.silent_s)}"
    return meter.link


def roughly_silent(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 100 else f"{min(seconds / 60, 999):.0f} min"
