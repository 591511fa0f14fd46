"""Knows how an interval is drawn against a tolerance, so that the shape alone tells agrees, differs or undecided."""

from __future__ import annotations

import math

from textual.content import Content

from analysis.verdict import Word
from recorder.live_snapshot import Against
from recorder.terminal.lines import inked

SHORTEST = 13
# The whole rail spans twice the tolerance to either side, the same for all meters: rails can be compared by eye.
_SPAN = 2.0


def rail(against: Against, width: int) -> Content:
    """`··[·┿·]·`: brackets are the tolerance, the thick line the interval, the dot the estimate, arrows off scale."""
    width = max(SHORTEST, width - 1 + width % 2)
    half = width // 2
    edge = round(half / _SPAN)
    cells = ["·"] * width
    styles = ["$rule"] * width
    cells[half] = "┼"
    if math.isfinite(against.away_pct) and against.tolerance_pct > 0:
        _lay_interval(cells, styles, against, half, edge)
    for place, bracket in ((half - edge, "["), (half + edge, "]")):
        cells[place], styles[place] = bracket, "bold $strong"
    return inked(cells, styles)


def _lay_interval(cells: list[str], styles: list[str], against: Against, half: int, edge: int) -> None:
    tolerance, away = against.tolerance_pct, against.away_pct
    width = against.half_width_pct if math.isfinite(against.half_width_pct) else math.inf
    low = _cell(away - width, tolerance, half, edge, against.word)
    high = _cell(away + width, tolerance, half, edge, against.word)
    middle = min(max(_cell(away, tolerance, half, edge, "undecided"), low), high)
    ink = f"bold ${against.word}"
    # Broken while undecided: the word may wait for more seconds although the interval is already narrow.
    stroke = "╍" if against.word == "undecided" else "━"
    for place in range(max(low, -half), min(high, half) + 1):
        cells[half + place], styles[half + place] = stroke if place else "┿", ink
    if abs(middle) <= half:
        cells[half + middle], styles[half + middle] = "●", ink
    if low < -half:
        cells[0], styles[0] = "◀", ink
    if high > half:
        cells[-1], styles[-1] = "▶", ink


def _cell(value: float, tolerance: float, half: int, edge: int, word: Word) -> int:
    """Cell of `value` counted from the middle. Never on a bracket, and always on the side of it where the value is:
    rounding must not draw an interval as inside that is not."""
    scaled = value / tolerance * edge
    if not abs(scaled) <= half + 1:
        return int(math.copysign(half + 1, scaled))
    cell = round(scaled)
    inside = abs(value) <= tolerance and not (word == "differs" and abs(value) == tolerance)
    reach = min(abs(cell), edge - 1) if inside else max(abs(cell), edge + 1)
    return int(math.copysign(reach, scaled)) if reach else 0
