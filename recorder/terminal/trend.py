"""Knows how a series of the last minutes becomes a small picture of dots, with zero and tolerance beneath."""

from __future__ import annotations

import math
from collections.abc import Sequence

from textual.content import Content

from recorder.terminal.lines import inked

# Dots of a braille cell by (column, row), Unicode chapter "Braille Patterns".
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


def trend(
    values_pct: Sequence[float], expected_pct: float, tolerance_pct: float, width: int, height: int
) -> list[Content]:
    """The newest value at the right edge. Dotted: both edges of the tolerance; dashed: zero difference.

    Scaled to the tolerance about what is expected, so that all meters look alike; beyond the scale a value lies on
    the rim.
    """
    if width < 1 or height < 1 or not tolerance_pct > 0:
        return []
    rows, columns = 4 * height, 2 * width
    reach = 2.0 * tolerance_pct

    def row_of(value: float) -> int:
        share = (expected_pct + reach - value) / (2 * reach)
        return min(rows - 1, max(0, round(share * (rows - 1))))

    paper = [[0] * width for _ in range(height)]
    has_ink = [[False] * width for _ in range(height)]
    if height > 1:
        for level, every in ((expected_pct - tolerance_pct, 4), (expected_pct + tolerance_pct, 4), (0.0, 2)):
            if abs(level - expected_pct) <= reach:
                for column in range(0, columns, every):
                    _dot(paper, column, row_of(level))
    shown = _stretched(list(values_pct)[-columns:], columns)
    previous: int | None = None
    for column, value in enumerate(shown):
        if not math.isfinite(value):
            previous = None
            continue
        row = row_of(value)
        low, high = sorted((row, previous if previous is not None else row))
        for each in range(low, high + 1):
            _dot(paper, column, each)
            has_ink[each // 4][column // 2] = True
        previous = row
    return [_drawn(dots, ink) for dots, ink in zip(paper, has_ink, strict=True)]


def _stretched(values: list[float], columns: int) -> list[float]:
    """Over all columns, each value about as wide as the next."""
    return [values[column * len(values) // columns] for column in range(columns)] if values else []


def _dot(paper: list[list[int]], column: int, row: int) -> None:
    paper[row // 4][column // 2] |= _DOTS[column % 2][row % 4]


def _drawn(dots: Sequence[int], has_ink: Sequence[bool]) -> Content:
    cells = (chr(0x2800 + each) if each else " " for each in dots)
    return inked(cells, ("$strong" if ink else "$rule" for ink in has_ink))
