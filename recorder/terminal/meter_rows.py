"""Knows the closest way to draw meters: one row each, under common captions, for many meters or few rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from textual.content import Content

from recorder.live_snapshot import Against, MeterView
from recorder.terminal.figures import SIGNS, link_words, plain, signed, signed_pct, span
from recorder.terminal.lines import EMPTY, fit, fit_right, line, shown
from recorder.terminal.rail import SHORTEST, rail
from recorder.terminal.scene import Scene, band, evidence
from recorder.terminal.trend import trend

_LEAST_NAME = 7
_TREND_FROM = 110
_TREND_WIDTH = 20
# In a window narrower than 80 cells.
_FIRST_TO_GO = ("left", "cadence", "step %", "step W", "window %")


@dataclass(frozen=True)
class _Column:
    caption: str
    width: int
    cell: Callable[[MeterView], Content]
    right: bool = True
    name: str = ""


def meter_rows(scene: Scene, width: int) -> list[Content]:
    """One line of captions and one per meter."""
    columns = _columns(scene, width)
    return [_row(columns, None), *(_row(columns, meter) for meter in scene.meters)]


def _row(columns: list[_Column], meter: MeterView | None) -> Content:
    cells = []
    for column in columns:
        content = line((column.caption, "$faint")) if meter is None else column.cell(meter)
        cells.append(fit_right(content, column.width) if column.right else fit(content, column.width))
    return Content(" ").join(cells)


def _columns(scene: Scene, width: int) -> list[_Column]:
    """Names and rails share what is left once all else has its width."""
    numbers = _numbers(scene, width)
    last = [_Column(" verdict", 11, _word, right=False), _Column("link", 10, _link, right=False)]
    if width >= _TREND_FROM:
        last.append(_Column("trend", _TREND_WIDTH, lambda m: _trend(m, _TREND_WIDTH), right=False))
    for caption in _FIRST_TO_GO:
        if _taken(numbers + last) + _LEAST_NAME + SHORTEST + 1 > width:
            numbers = [column for column in numbers if column.name != caption]
    room = width - _taken(numbers + last) - 1
    rail_width = min(41, max(SHORTEST, room - 14))
    rail_width -= 1 - rail_width % 2
    name_width = min(20, max(_LEAST_NAME, room - rail_width))
    name = _Column("", name_width, lambda m: line((shown(m.name, 24), "bold")), right=False)
    tolerance = _Column("tolerance", rail_width, lambda m: _rail(m, rail_width), right=False)
    return [name, *numbers, tolerance, *last]


def _numbers(scene: Scene, width: int) -> list[_Column]:
    close = width < _TREND_FROM
    seconds = scene.snapshot.window_s
    window = f"{seconds}s" if close else f"{span(seconds)} W"
    step, watts_width = ("step", 4) if close else ("step W", 7)
    return [
        _Column("W", 4, lambda m: line((plain(m.power_w), "bold $strong"))),
        _Column("rpm", 3, lambda m: line(plain(m.cadence_rpm)), name="cadence"),
        _Column("L %", 4, lambda m: line(plain(m.left_share_pct, 1)), name="left"),
        _Column(window, watts_width, lambda m: _watts(m.window, m), name="window W"),
        _Column("%", 5, lambda m: _share(m.window, m), name="window %"),
        _Column(step, watts_width, lambda m: _watts(m.segment, m), name="step W"),
        _Column("%", 5, lambda m: _share(m.segment, m), name="step %"),
    ]


def _taken(columns: list[_Column]) -> int:
    return sum(column.width + 1 for column in columns)


def _watts(against: Against | None, meter: MeterView) -> Content:
    return EMPTY if meter.is_reference or against is None else line(signed(against.difference_w))


def _share(against: Against | None, meter: MeterView) -> Content:
    return EMPTY if meter.is_reference or against is None else line((signed_pct(against.difference_pct), "bold"))


def _rail(meter: MeterView, width: int) -> Content:
    _, against = evidence(meter)
    if meter.is_reference:
        return line(("reference", "$faint"))
    if against is None:
        return line(("no reference", "$faint"))
    return line((shown(against.why_not, 60), "italic")) if against.why_not else rail(against, width)


def _word(meter: MeterView) -> Content:
    _, against = evidence(meter)
    if meter.is_reference or against is None:
        return EMPTY
    return line((f"{SIGNS[against.word]} {against.word}", f"bold ${against.word}"))


def _link(meter: MeterView) -> Content:
    return line((link_words(meter), "$faint" if meter.link == "live" else "bold reverse"))


def _trend(meter: MeterView, width: int) -> Content:
    expected, tolerance = band(meter)
    drawn = [] if meter.is_reference else trend(meter.trend_pct, expected, tolerance, width, 1)
    return drawn[0] if drawn else EMPTY
