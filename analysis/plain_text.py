"""Small turns of phrase that every part of the program needs; knows no figure."""

from __future__ import annotations

from collections.abc import Iterable


def counted(count: int, one: str, many: str | None = None) -> str:
    """1 ride, 2 rides; `many` where an s behind would not do."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(names: Iterable[str]) -> str:
    """Alder, Birch and Cedar."""
    told = list(names)
    return ", ".join(told[:-1]) + " and " + told[-1] if len(told) > 1 else "".join(told)


def minutes(seconds: float) -> str:
    """75 min 03 s, whatever the length, so that lengths can be held against each other."""
    whole, rest = divmod(round(seconds), 60)
    return f"{whole} min {rest:02d} s"
