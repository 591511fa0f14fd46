"""Draws intervals against tolerances as SVG: lengths come from figures made elsewhere, nothing is worked out here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from analysis.report_page.number_text import number, plus_minus
from analysis.safe_text import safe_text

# Units of the drawing; text is 13 high, so that a phone still shows it at some 10 px.
WIDTH, SIDE = 440.0, 14.0
LONGEST_TEXT = 200
ROW, NAME_WIDTH, SEGMENTS_WIDTH = 22.0, 112.0, 340.0


@dataclass(frozen=True)
class Mark:
    """One interval: `away_pct` ± `half_width_pct` against ± `tolerance_pct`; nan where not known."""

    name: str
    away_pct: float
    half_width_pct: float
    tolerance_pct: float
    word: str


def reach_pct(marks: Sequence[Mark]) -> float:
    """Half the width of a common axis, a whole number of per cent."""
    ends = [abs(m.away_pct) + (m.half_width_pct if math.isfinite(m.half_width_pct) else 0) for m in marks]
    ends += [m.tolerance_pct for m in marks]
    known = [e for e in ends if math.isfinite(e)]
    # Beyond 25 % an axis that holds everything would show nothing; marks outside get an arrow.
    return float(min(max(math.ceil(max(known, default=1.0) * 1.08), 2), 25))


def verdict_svg(mark: Mark, reach: float) -> Markup:
    """One meter's interval above a common axis, the band of the tolerance hatched behind it."""
    axis = _Axis(SIDE + 4, WIDTH - SIDE - 4, reach)
    top, base = 30.0, 66.0
    parts = [
        _band(axis, mark.tolerance_pct, top - 6, base),
        _scale(axis, base),
        _interval(axis, mark, (top + base) / 2 - 3, 5.5),
    ]
    if math.isfinite(mark.away_pct):
        label = plus_minus(mark.away_pct, mark.half_width_pct, unit="%")
        parts.append(words_at(axis.inside(mark.away_pct, 62), 16, label, "figure-strong", "middle"))
    limit = number(mark.tolerance_pct, ".2f", "%")
    words = (
        f"{mark.name}: {plus_minus(mark.away_pct, mark.half_width_pct, unit='%')} "
        f"against a tolerance of ± {limit}: {mark.word}"
    )
    return drawing(WIDTH, 92, words, parts)


def segments_svg(meter: str, marks: Sequence[Mark], reach: float) -> Markup:
    """One row per segment of one meter, all on one axis."""
    return _rows_svg(f"{meter}: difference in each segment with its interval and tolerance", marks, reach)


def claims_svg(marks: Sequence[Mark], reach: float) -> Markup:
    """One row per meter, its own error against its own claim."""
    return _rows_svg("Own error of each meter with its interval, against its claim", marks, reach)


def _rows_svg(words: str, marks: Sequence[Mark], reach: float) -> Markup:
    axis = _Axis(NAME_WIDTH + 10, SEGMENTS_WIDTH - SIDE - 4, reach)
    base = 10 + ROW * len(marks)
    parts = []
    for number_, mark in enumerate(marks):
        top = 8 + ROW * number_
        parts.append(_band(axis, mark.tolerance_pct, top + 1, top + ROW - 1))
        parts.append(words_at(NAME_WIDTH, top + ROW / 2 + 4.5, _cut(mark.name, 16), "figure-text", "end"))
        parts.append(_interval(axis, mark, top + ROW / 2, 3.6))
    parts.append(_scale(axis, base))
    return drawing(SEGMENTS_WIDTH, base + 26, words, parts)


@dataclass(frozen=True)
class _Axis:
    left: float
    right: float
    reach: float

    def x(self, pct: float) -> float:
        middle, half = (self.left + self.right) / 2, (self.right - self.left) / 2
        return middle + half * min(max(pct / self.reach, -1.0), 1.0)

    def inside(self, pct: float, margin: float) -> float:
        return min(max(self.x(pct), self.left + margin), self.right - margin)

    def ticks(self) -> list[float]:
        most = (self.right - self.left) / 2 / 38  # labels on either side of zero
        step = next((s for s in (1, 2, 5, 10) if self.reach / s <= most), 25)
        count = int(self.reach // step)
        return [float(step * k) for k in range(-count, count + 1)]


def _band(axis: _Axis, tolerance_pct: float, top: float, bottom: float) -> str:
    if not math.isfinite(tolerance_pct):
        return ""
    left, right = axis.x(-tolerance_pct), axis.x(tolerance_pct)
    ends = "".join(
        f'<path class="limit" d="M{x:.1f} {top:.1f}V{bottom:.1f}"/>'
        for x, pct in ((left, -tolerance_pct), (right, tolerance_pct))
        if abs(pct) <= axis.reach
    )
    size = f'x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
    return f'<rect class="band" {size}/>{ends}'


def _scale(axis: _Axis, base: float) -> str:
    line = f'<path class="axis" d="M{axis.left:.1f} {base:.1f}H{axis.right:.1f}"/>'
    for pct in axis.ticks():
        x = axis.x(pct)
        line += f'<path class="axis" d="M{x:.1f} {base:.1f}v4"/>'
        label = "0" if pct == 0 else number(pct, "+.0f")
        if pct == axis.ticks()[-1]:
            label += "\u202f%"
        line += words_at(x, base + 18, label, "figure-text", "middle")
    return line


def _interval(axis: _Axis, mark: Mark, y: float, size: float) -> str:
    if not math.isfinite(mark.away_pct):
        return words_at((axis.left + axis.right) / 2, y + 4.5, "nothing to compare", "figure-text", "middle")
    x = axis.x(mark.away_pct)
    out = ""
    if math.isfinite(mark.half_width_pct):
        left, right = axis.x(mark.away_pct - mark.half_width_pct), axis.x(mark.away_pct + mark.half_width_pct)
        caps = f"M{left:.1f} {y - size:.1f}v{2 * size:.1f}M{right:.1f} {y - size:.1f}v{2 * size:.1f}"
        out = f'<path class="interval" d="M{left:.1f} {y:.1f}H{right:.1f}{caps}"/>'
    if abs(mark.away_pct) > axis.reach:
        return out + _arrow(x, y, size, mark.away_pct > 0)
    return out + _point(x, y, size, mark.word)


def _point(x: float, y: float, size: float, word: str) -> str:
    """Shapes tell the words apart without colour: disc, diamond, ring."""
    if word == "differs":
        s = size * 1.35
        return f'<path class="point" d="M{x:.1f} {y - s:.1f}l{s:.1f} {s:.1f}l{-s:.1f} {s:.1f}l{-s:.1f} {-s:.1f}z"/>'
    kind = "point" if word == "agrees" else "ring"
    return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}"/>'


def _arrow(x: float, y: float, size: float, right: bool) -> str:
    s = size * 1.4 * (1 if right else -1)
    return f'<path class="point" d="M{x:.1f} {y:.1f}l{-s:.1f} {-abs(s):.1f}v{2 * abs(s):.1f}z"/>'


def words_at(x: float, y: float, words: str, kind: str, anchor: str) -> str:
    """A text, made harmless."""
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{_shown(words)}</text>'


def drawing(width: float, height: float, words: str, parts: Sequence[str]) -> Markup:
    # Every text within the parts went through `_shown`.
    opening = f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{_shown(words)}">'
    return Markup(opening + "".join(parts) + "</svg>")  # noqa: S704


def _shown(words: str) -> Markup:
    return escape(safe_text(words, LONGEST_TEXT))


def _cut(name: str, length: int) -> str:
    return name if len(name) <= length else name[: length - 1] + "…"
