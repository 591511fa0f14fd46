"""Knows how the segments of the ride so far are tabled: how far each meter was from the reference, and the word."""

from __future__ import annotations

import math

from textual.content import Content

from recorder.live_snapshot import SegmentRow
from recorder.terminal.figures import SIGNS, clock, plain, signed_pct
from recorder.terminal.lines import Part, fit, fit_right, heading, line, shown
from recorder.terminal.scene import Scene

_NUMBER, _TIME = 3, 8
_LEAST_CELL, _CELL_WITH_WATTS = 7, 15


def segment_rows_full(scene: Scene) -> int:
    return 2 + max(1, len(scene.snapshot.segments))


def draw_segments(scene: Scene, width: int, height: int) -> list[Content]:
    """The latest at the foot; earlier ones give way."""
    rows = scene.snapshot.segments
    if not rows:
        return [heading("segments", width), line(("none yet: each step of the plan makes one", "$faint"))]
    names = [meter.name for meter in scene.meters]
    name_width, cell = _widths(len(names), width)
    room = max(1, height - 2)
    hidden = max(0, len(rows) - room)
    earlier = f", {hidden} earlier under t" if hidden else ""
    caption = heading(f"segments: % from the reference{earlier}", width)
    return [caption, _names(scene, name_width, cell), *(_row(r, scene, name_width, cell) for r in rows[hidden:])]


def _widths(meters: int, width: int) -> tuple[int, int]:
    room = width - _NUMBER - _TIME - 3
    least_name = 12
    cell = min(_CELL_WITH_WATTS + 1, max(_LEAST_CELL, (room - least_name) // max(1, meters)))
    return max(least_name, min(26, room - cell * meters)), cell


def _names(scene: Scene, name_width: int, cell: int) -> Content:
    first = fit(line(("  # segment", "$faint")), _NUMBER + name_width + 1)
    time = fit_right(line(("time", "$faint")), _TIME)
    names = (fit_right(line(" ", (shown(m.name, cell - 2), "$faint")), cell) for m in scene.meters)
    return line(first, time, *names)


def _row(row: SegmentRow, scene: Scene, name_width: int, cell: int) -> Content:
    style = "bold" if row.running else ""
    name = line((shown(row.name, 48), style), (" (now)" if row.running else "", "$faint"))
    parts: list[Part] = [f"{row.segment_no:>{_NUMBER}} ", fit(name, name_width)]
    parts.append(fit_right(line((clock(row.seconds), style)), _TIME))
    for meter in scene.meters:
        parts.append(fit_right(_cell(row, meter.name, meter.name == scene.snapshot.reference, cell), cell))
    return line(*parts)


def _cell(row: SegmentRow, name: str, is_reference: bool, width: int) -> Content:
    watts = f"{plain(row.mean_power_w.get(name, math.nan))} W"
    if is_reference:
        return line(watts)
    word = row.word.get(name)
    share = signed_pct(row.difference_pct.get(name, math.nan))
    mark: Part = (f" {SIGNS[word]}", f"bold ${word}") if word is not None else "  "
    if width >= _CELL_WITH_WATTS:
        return line((f"{watts} ", "$faint"), f"{share:>6}", mark)
    return line(share, mark)
