"""From a time as text files state it, ISO 8601, to nanoseconds; and whether it said that it is UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_YEAR, _LAST_YEAR = 1970, 2200


class IsoTime(NamedTuple):
    """Without a zone the clock is the device's own, and `ns` is counted as if it were UTC."""

    ns: int
    has_zone: bool


def iso_time(text: str) -> IsoTime | None:
    """None for what is no date with a time."""
    words = text.strip()
    if not 16 <= len(words) <= 40:
        return None
    try:
        at = datetime.fromisoformat(words)
        has_zone = at.tzinfo is not None
        at = at if has_zone else at.replace(tzinfo=UTC)
        if not _FIRST_YEAR < at.year < _LAST_YEAR:
            return None
        return IsoTime((at - _EPOCH) // timedelta(microseconds=1) * 1000, has_zone)
    except (ValueError, OverflowError):
        return None
