"""Draws the offset of one clock along the ride: a dot for each stretch, the line through them, its interval."""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup

from analysis.report_page.number_text import clock as clock_text
from analysis.report_page.number_text import number
from analysis.report_page.verdict_figure import drawing, words_at
from analysis.ride_source import ClockLine, ClockWindow, Source, clock_line, clock_windows

WIDTH, HEIGHT = 440.0, 190.0
LEFT, RIGHT, TOP, BASE = 52.0, 428.0, 12.0, 154.0
LEAST_REACH_S = 0.25
MOST_TICKS = 5


def clock_svg(source: Source) -> Markup | None:
    """None where nothing was estimated."""
    line, windows = clock_line(source.clock), clock_windows(source.clock)
    if line is None:
        return None
    plot = _Plot(line, windows)
    parts = [plot.axes(), plot.band(), plot.path(), *(plot.dot(w) for w in windows)]
    words = f"Offset of the clock of {source.sensor}'s file along the ride, with the line through all stretches"
    return drawing(WIDTH, HEIGHT, words, parts)


class _Plot:
    """The scale holds the line, its interval and the stretches that were used; others lie on its rim at worst."""

    def __init__(self, line: ClockLine, windows: tuple[ClockWindow, ...]) -> None:
        self._line = line
        used = [w.offset_s for w in windows if w.used]
        lows = [float((line.offset_s - line.half_width_s).min()), *used]
        highs = [float((line.offset_s + line.half_width_s).max()), *used]
        middle, reach = (min(lows) + max(highs)) / 2, (max(highs) - min(lows)) / 2 * 1.1
        reach = max(reach, LEAST_REACH_S)
        self._low_s, self._high_s = middle - reach, middle + reach
        self._from_s, self._span_s = float(line.time_s[0]), max(float(np.ptp(line.time_s)), 1.0)

    def _x(self, time_s: float) -> float:
        return LEFT + 8 + (RIGHT - LEFT - 16) * (time_s - self._from_s) / self._span_s

    def _y(self, offset_s: float) -> float:
        share = (offset_s - self._low_s) / (self._high_s - self._low_s)
        return BASE - (BASE - TOP) * min(max(share, 0.0), 1.0)

    def axes(self) -> str:
        found = f'<path class="axis" d="M{LEFT:.1f} {TOP:.1f}V{BASE:.1f}H{RIGHT:.1f}"/>'
        step = _step((self._high_s - self._low_s) / MOST_TICKS)
        form = f"+.{max(0, -math.floor(math.log10(step)))}f"
        for k in range(math.ceil(self._low_s / step), math.floor(self._high_s / step) + 1):
            y = self._y(k * step)
            found += f'<path class="axis" d="M{LEFT:.1f} {y:.1f}h-4"/>'
            found += words_at(LEFT - 7, y + 4.5, number(k * step, form), "figure-text", "end")
        for share, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
            at_s = self._from_s + share * self._span_s
            found += words_at(self._x(at_s), BASE + 18, clock_text(at_s * 1e9), "figure-text", anchor)
        return found

    def band(self) -> str:
        above = [(t, o + h) for t, o, h in self._points()]
        below = [(t, o - h) for t, o, h in reversed(self._points())]
        return f'<path class="band" d="{self._drawn([*above, *below])}z"/>'

    def path(self) -> str:
        return f'<path class="limit" d="{self._drawn([(t, o) for t, o, _ in self._points()])}"/>'

    def dot(self, window: ClockWindow) -> str:
        kind, x, y = "point" if window.used else "ring", self._x(window.centre_s), self._y(window.offset_s)
        return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="3.2"/>'

    def _points(self) -> list[tuple[float, float, float]]:
        line = self._line
        return list(zip(line.time_s.tolist(), line.offset_s.tolist(), line.half_width_s.tolist(), strict=True))

    def _drawn(self, points: list[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{self._x(t):.1f} {self._y(o):.1f}" for t, o in points)


def _step(least: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(k * power for k in (1, 2, 5, 10) if k * power >= least * 0.999)
