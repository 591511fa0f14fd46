"""One record of a ride file as bytes that can be decoded again: its fields as they stand in the file, as JSON.

FIT fields are the file's whole numbers before scaling, those of text files are its text. The columns are made from
them here and nowhere else, so that a recording can be computed again from its payloads alone.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from analysis.characteristics.byte_fields import ColumnValue
from analysis.characteristics.not_understood import NotUnderstood
from analysis.ride_files.ride_file import Kind

Raw = Mapping[str, int | str]
Columns = dict[str, ColumnValue]

LONGEST_PAYLOAD = 4096
LONGEST_NUMBER = 40
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
# Power as wide as the Cycling Power Measurement sends it (sint16); the rest: beyond what a bicycle or weather does.
RANGES: Mapping[str, tuple[float, float]] = {
    "power_w": (-32768, 32767),
    "cadence_rpm": (0, 300),
    "balance_left_pct": (0, 100),
    "speed_kmh": (0, 300),
    "temperature_c": (-60, 90),
}
_KMH_PER_MPS = 3.6


def encode_record(kind: Kind, raw: Raw) -> bytes:
    return json.dumps({"kind": kind, **raw}, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")


def raw_of(payload: bytes) -> dict[str, Any]:
    """The fields again, `kind` among them.

    :raises NotUnderstood: for bytes that no `encode_record` made.
    """
    if len(payload) > LONGEST_PAYLOAD:
        raise NotUnderstood("a record longer than any ride file has")
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError) as fault:
        raise NotUnderstood("not a record of a ride file") from fault
    if not isinstance(found, dict) or not isinstance(found.get("kind"), str) or found["kind"] not in _DECODERS:
        raise NotUnderstood("not a record of a ride file")
    return found


def decode_record(payload: bytes) -> Columns:
    """The decoded columns that a record fills.

    :raises NotUnderstood: for bytes that no `encode_record` made.
    """
    return columns_of(raw_of(payload))[0]


def columns_of(raw: Mapping[str, Any]) -> tuple[Columns, tuple[str, ...]]:
    """The columns, and the names of those whose value is no number or beyond what can be."""
    values = _DECODERS[raw["kind"]](raw)
    found: Columns = {}
    odd = []
    for name, value in values.items():
        low, high = RANGES[name]
        if not (math.isfinite(value) and low <= value <= high):
            odd.append(name)
        else:
            # The column of powers holds whole watts; the payload keeps what was behind the point.
            found[name] = round(value) if name == "power_w" else value
    if "balance_left_pct" in found:
        found["balance_reference"] = _balance_reference(raw)
    return found, tuple(odd)


def number(text: Any, decimal: str = ".") -> float:
    """nan for what is no plain number: words, blanks inside, thousands separators, far too many digits."""
    words = str(text).strip()
    if len(words) > LONGEST_NUMBER or not _NUMBER.fullmatch(words):
        return math.nan
    if ("," if decimal == "." else ".") in words:
        return math.nan
    return float(words.replace(",", "."))


def _fit(raw: Mapping[str, Any]) -> dict[str, float]:
    """Scales of the FIT profile: cadence 1/128 rpm in its fraction, speed in mm/s, balance in the low seven bits."""
    whole = {name: value for name, value in raw.items() if type(value) is int and abs(value) < 1 << 32}
    found: dict[str, float] = {}
    if "power" in whole:
        found["power_w"] = whole["power"]
    if "cadence" in whole:
        found["cadence_rpm"] = whole["cadence"] + whole.get("fractional_cadence", 0) / 128
    if "left_right_balance" in whole:
        share = float(whole["left_right_balance"] & 0x7F)
        found["balance_left_pct"] = 100 - share if whole["left_right_balance"] & 0x80 else share
    speed = whole.get("enhanced_speed", whole.get("speed"))
    if speed is not None:
        found["speed_kmh"] = speed / 1000 * _KMH_PER_MPS
    if "temperature" in whole:
        found["temperature_c"] = whole["temperature"]
    return found


def _xml(raw: Mapping[str, Any]) -> dict[str, float]:
    """Speed in m/s, as the activity extension of TCX and the track-point extension of GPX have it."""
    names = {"power": "power_w", "cadence": "cadence_rpm", "temperature": "temperature_c"}
    found = {column: number(raw[name]) for name, column in names.items() if name in raw}
    if "speed" in raw:
        found["speed_kmh"] = number(raw["speed"]) * _KMH_PER_MPS
    return found


def _csv(raw: Mapping[str, Any]) -> dict[str, float]:
    decimal = "," if raw.get("decimal") == "," else "."
    names = {"power": "power_w", "cadence": "cadence_rpm", "speed": "speed_kmh", "temperature": "temperature_c"}
    found = {column: number(raw[name], decimal) for name, column in names.items() if name in raw}
    if "balance_left" in raw:
        found["balance_left_pct"] = number(raw["balance_left"], decimal)
    elif "balance_right" in raw:
        found["balance_left_pct"] = 100 - number(raw["balance_right"], decimal)
    elif "balance" in raw:
        found["balance_left_pct"] = number(raw["balance"], decimal)
    return found


def _balance_reference(raw: Mapping[str, Any]) -> str:
    """`left` where the file says whose share it is: of which side, bit 7 of FIT tells of the right one only."""
    if raw["kind"] == "fit":
        return "left" if raw["left_right_balance"] & 0x80 else "unknown"
    return "left" if "balance_left" in raw or "balance_right" in raw else "unknown"


_DECODERS: Mapping[str, Callable[[Mapping[str, Any]], dict[str, float]]] = {
    "fit": _fit,
    "tcx": _xml,
    "gpx": _xml,
    "csv": _csv,
}
