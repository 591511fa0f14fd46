"""Draws a unit over time and the network of comparisons as SVG: nothing is worked out here but places on paper."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from markupsafe import Markup, escape

from analysis.ledger.ledger_words import date_words
from analysis.ledger.unit_history import UnitHistory
from analysis.ledger.unit_rides import PairRide
from analysis.report_page.number_text import number
from analysis.safe_text import safe_text

WIDTH, HEIGHT = 720.0, 220.0
LEFT, RIGHT, TOP, BASE = 52.0, 700.0, 26.0, 184.0
LONGEST_NAME = 24
MOST_REACH_PCT = 25.0
COLOURS = 8
_EMPTY_SPAN_NS = 86_400_000_000_000


def time_svg(history: UnitHistory, partners: Sequence[str]) -> Markup:
    """Every comparison of a unit with its interval over the date; a dashed line where its firmware changed."""
    pairs = [p for p in history.pairs if p.start_utc_ns is not None and math.isfinite(p.away_pct)]
    if not pairs:
        return Markup("")
    when = [p.start_utc_ns or 0 for p in pairs]
    first, last = min(when), max(when)
    span = max(last - first, _EMPTY_SPAN_NS)
    reach = _reach(pairs)

    def x(utc_ns: int) -> float:
        return LEFT + 14 + (RIGHT - LEFT - 28) * (utc_ns - first) / span

    def y(pct: float) -> float:
        return (TOP + BASE) / 2 - (BASE - TOP) / 2 * min(max(pct / reach, -1.0), 1.0)

    parts = [_frame(reach, first, last)]
    for epoch in history.epochs[1:]:
        if epoch.first_utc_ns is not None and first <= epoch.first_utc_ns <= last:
            at = x(epoch.first_utc_ns) - 7
            parts.append(f'<path class="limit" d="M{at:.1f} {TOP - 8:.1f}V{BASE:.1f}"/>')
            parts.append(_text(at + 4, TOP - 12, epoch.firmware or "other firmware", "start"))
    for pair in pairs:
        number_ = partners.index(pair.partner) % COLOURS
        parts.append(_reading(x(pair.start_utc_ns or 0), pair, y, number_))
    words = f"{history.unit}: difference from each partner in {len(pairs)} comparisons over time"
    return _svg(WIDTH, HEIGHT, words, parts)


def network_svg(rides_together: Mapping[tuple[str, str], int]) -> Markup:
    """Units on a circle, a line for each pair that was compared, the thicker the more rides did so."""
    units = sorted({unit for pair in rides_together for unit in pair})
    if not units:
        return Markup("")
    middle_x, middle_y, radius = WIDTH / 2, 190.0, 140.0
    turn = {unit: 2 * math.pi * n / len(units) - math.pi / 2 for n, unit in enumerate(units)}
    at = {u: (middle_x + radius * math.cos(a), middle_y + radius * math.sin(a)) for u, a in turn.items()}
    most = max(rides_together.values())
    parts = []
    for (one, other), rides in sorted(rides_together.items()):
        (ax, ay), (bx, by) = at[one], at[other]
        wide = 1 + 5 * rides / most
        parts.append(f'<path class="tie" stroke-width="{wide:.1f}" d="M{ax:.1f} {ay:.1f}L{bx:.1f} {by:.1f}"/>')
        parts.append(_text((ax + bx) / 2 + 8, (ay + by) / 2 - 4, str(rides), "start"))
    for unit, (ux, uy) in at.items():
        side = math.cos(turn[unit])
        anchor = "middle" if abs(side) < 0.2 else "start" if side > 0 else "end"
        off_y = -14 if math.sin(turn[unit]) < -0.8 else 22 if math.sin(turn[unit]) > 0.8 else 4
        parts.append(f'<circle class="point" cx="{ux:.1f}" cy="{uy:.1f}" r="6"/>')
        parts.append(_text(ux + (0 if anchor == "middle" else math.copysign(12, side)), uy + off_y, unit, anchor))
    return _svg(WIDTH, 2 * middle_y, f"Which of {len(units)} units were compared in the same ride", parts)


def partner_key(number_: int) -> Markup:
    """The sign of one partner, for a legend."""
    return _svg(20, 14, "", [f'<circle class="dot dot-{number_ % COLOURS}" cx="10" cy="7" r="5"/>'])


def _reach(pairs: Sequence[PairRide]) -> float:
    ends = [abs(p.away_pct) + (p.half_width_pct if math.isfinite(p.half_width_pct) else 0.0) for p in pairs]
    return float(min(max(math.ceil(max(ends)), 1), MOST_REACH_PCT))


def _frame(reach: float, first_ns: int, last_ns: int) -> str:
    middle = (TOP + BASE) / 2
    parts = [f'<path class="axis" d="M{LEFT} {TOP}V{BASE}H{RIGHT}"/>']
    parts.append(f'<path class="limit" d="M{LEFT} {middle:.1f}H{RIGHT}"/>')
    for pct, y in ((reach, TOP), (0.0, middle), (-reach, BASE)):
        label = "0" if pct == 0 else number(pct, "+.0f")
        parts.append(_text(LEFT - 8, y + 4.5, f"{label}\u202f%", "end"))
    parts.append(_text(LEFT, BASE + 20, date_words(first_ns), "start"))
    if date_words(last_ns) != date_words(first_ns):
        parts.append(_text(RIGHT, BASE + 20, date_words(last_ns), "end"))
    return "".join(parts)


def _reading(x: float, pair: PairRide, y: Callable[[float], float], number_: int) -> str:
    place = y(pair.away_pct)
    out = ""
    if math.isfinite(pair.half_width_pct):
        low, high = (y(pair.away_pct + sign * pair.half_width_pct) for sign in (-1, 1))
        out = f'<path class="bar bar-{number_}" d="M{x:.1f} {low:.1f}V{high:.1f}"/>'
    return out + f'<circle class="dot dot-{number_}" cx="{x:.1f}" cy="{place:.1f}" r="4.5"/>'


def _text(x: float, y: float, words: str, anchor: str) -> str:
    shown = escape(safe_text(words, LONGEST_NAME))
    return f'<text class="figure-text" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{shown}</text>'


def _svg(width: float, height: float, words: str, parts: Sequence[str]) -> Markup:
    about = f'role="img" aria-label="{escape(safe_text(words, 200))}"' if words else 'aria-hidden="true"'
    # Every text within the parts went through `_text`.
    return Markup(f'<svg viewBox="0 0 {width:g} {height:g}" {about}>' + "".join(parts) + "</svg>")  # noqa: S704
