"""How the clock of an imported file was put on the reference's, in a sentence; from what the recording says of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis.safe_text import safe_text


def clock_sentence(clock: Mapping[str, Any]) -> str:
    """`clock` is the `alignment` of a sensor in the metadata; what is missing or foreign in it is left unsaid."""
    reference, method = clock.get("reference", "the reference"), clock.get("method")
    if method == "reference":
        return "its clock is that of the recording"
    offset_s = number_of(clock.get("offset_s"))
    middle = " in the middle of it" if math.isfinite(number_of(clock.get("drift_ppm"))) else ""
    what = f"{offset_s:+.2f}{_width(clock.get('offset_half_width_s'), '.2f')} s{middle}"
    counted = ", counted from the first records" if clock.get("counted_from") == "first records" else ""
    if method == "stated":
        return f"its clock is put on that of {reference} by {what} as stated{counted}; drift and lag are not known"
    windows = [w for w in clock.get("windows", ()) if isinstance(w, Mapping)]
    used = sum(bool(w.get("used")) for w in windows)
    return (
        f"its clock is put on that of {reference} by {what} (clock and lag of the meter together{counted}), "
        f"{_drift(clock)}, from {used} of {len(windows)} stretches of the ride{_remark(clock)}"
    )


def _remark(clock: Mapping[str, Any]) -> str:
    remark = clock.get("remark")
    return f"; {safe_text(remark, 200)}" if isinstance(remark, str) and remark else ""


def number_of(value: Any) -> float:
    """nan for what is no number."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _width(half_width: Any, form: str) -> str:
    value = number_of(half_width)
    return f" ± {value:{form}}" if math.isfinite(value) else ""


def _drift(clock: Mapping[str, Any]) -> str:
    drift_ppm = number_of(clock.get("drift_ppm"))
    if math.isnan(drift_ppm):
        return "no drift proven"
    return f"drift {drift_ppm:+.1f}{_width(clock.get('drift_half_width_ppm'), '.1f')} ppm"
