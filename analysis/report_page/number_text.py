"""How numbers, times and words of findings are written on the page: true minus signs, and – for what is not known."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

from analysis.plain_text import counted

__all__ = ["UNKNOWN", "clock", "counted", "duration", "number", "plus_minus", "typeset", "utc", "with_minus"]

UNKNOWN = "–"
_MINUS_OF_A_NUMBER = re.compile(r"(?<![\w-])-(?=\d)")
_WITHIN_A_VALUE = re.compile(r"(?<=±) (?=\d)|(?<=\d) (?=±|%|W\b|N·m|s\b)")


def number(value: float | None, form: str = ".1f", unit: str = "") -> str:
    """`unit` comes after a narrow space and is left out where the value is not known."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = format(value, form)
    if float(text) == 0:
        text = text.lstrip("+-")
    return with_minus(text) + (f"\u202f{unit}" if unit else "")


def plus_minus(mean: float, half_width: float, form: str = ".2f", unit: str = "") -> str:
    """Without the half-width where that is not known."""
    if not math.isfinite(mean):
        return UNKNOWN
    width = f" ± {half_width:{form}}" if math.isfinite(half_width) else ""
    return f"{number(mean, '+' + form)}{width}" + (f"\u202f{unit}" if unit else "")


def with_minus(sentence: str) -> str:
    return _MINUS_OF_A_NUMBER.sub("\u2212", sentence)


def typeset(sentence: str) -> str:
    """True minus signs, and no line break within ± 0.54 % or 12 W."""
    return _WITHIN_A_VALUE.sub("\u00a0", with_minus(sentence))


def clock(host_ns: float) -> str:
    """Time of the ride: 7:05, or 1:07:05."""
    seconds = round(host_ns / 1e9)
    hours, minutes = seconds // 3600, seconds // 60 % 60
    return f"{hours}:{minutes:02d}:{seconds % 60:02d}" if hours else f"{minutes}:{seconds % 60:02d}"


def duration(host_ns: float) -> str:
    seconds = round(host_ns / 1e9)
    hours, minutes = seconds // 3600, seconds // 60 % 60
    parts = [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes or hours else []
    return " ".join([*parts, f"{seconds % 60} s"])


def utc(utc_ns: int) -> str:
    try:
        return f"{datetime.fromtimestamp(utc_ns / 1e9, UTC):%Y-%m-%d %H:%M:%S} UTC"
    except (OverflowError, ValueError, OSError):
        return UNKNOWN
