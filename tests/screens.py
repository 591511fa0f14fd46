"""Made-up snapshots in every state the screen has to show; no figure here was measured or computed."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

from analysis.verdict import Word, decide
from recorder.live_snapshot import (
    Against,
    LinkState,
    Message,
    MeterView,
    PlanView,
    SegmentRow,
    Snapshot,
    StepView,
)

NAN = math.nan
CAUTION = "Maximal effort next: warm up first; stop on pain, dizziness or chest discomfort; bike and trainer secured."
HOSTILE = (
    "\x1b[2J\x1b]0;owned\x07",
    "\x9b31mred",
    "meter [/x] [bold]7[/]",
    "\u202eleft-to-right\u202c\u2066",
    "n" * 200,
    "[@click=app.exit]tap[/]",
)
_NAMES = ("Alder", "Birch", "Cedar", "Dogwood", "Hazel", "Juniper", "Larch", "Rowan")
_PLACES = ("pedals", "spider", "trainer", "crank", "hub", "pedals", "crank", "spider")
# Away from the chain's expectation and half-width in %: clearly in, clearly out, across an edge, far off, unknown.
_STANDINGS = ((0.3, 0.6), (-2.6, 0.7), (1.1, 0.9), (7.5, 1.2), (-0.8, math.inf), (0.1, 0.2), (-1.5, 0.6))


def against(
    away_pct: float, half_width_pct: float, *, chain_pct: float = 0.0, tolerance_pct: float = 1.4, seconds: int = 180
) -> Against:
    difference_pct = away_pct + chain_pct
    word = decide(away_pct, half_width_pct, tolerance_pct)
    wait = 0.0 if word != "undecided" else 250.0
    return Against(2.1 * difference_pct, difference_pct, away_pct, half_width_pct, tolerance_pct, word, seconds, wait)


def meter(
    number: int, *, link: LinkState = "live", silent_s: float = 0.2, power_w: float = 212.0, note: str = ""
) -> MeterView:
    """Number 0 is the reference."""
    if number == 0:
        return MeterView(
            "Alder", "pedals", True, True, link, silent_s, power_w, 90.0, 49.8, 88.0, None, None, None, (), note
        )
    away, half_width = _STANDINGS[(number - 1) % len(_STANDINGS)]
    chain = -2.5 if _PLACES[number] == "trainer" else 0.0
    steady = against(away, half_width, chain_pct=chain, seconds=420)
    step = against(away + 0.4, half_width * 1.8 + 0.3, chain_pct=chain, seconds=75)
    window = against(away - 0.3, half_width * 2 + 0.4, chain_pct=chain, seconds=60)
    trend = tuple(away + chain + 0.9 * math.sin(i / 3.0 + number) + 0.4 * math.sin(i * 1.7) for i in range(60))
    if number == 2:
        trend = (*trend[:20], *(NAN,) * 6, *trend[26:])
    return MeterView(
        _NAMES[number],
        _PLACES[number],
        False,
        True,
        link,
        silent_s,
        power_w * (1 + (away + chain) / 100),
        90.0 + number % 2,
        50.4 if _PLACES[number] in ("pedals", "spider") else NAN,
        91.0 - 3 * number,
        window,
        step,
        steady,
        trend,
        note,
    )


ELM = MeterView("Elm", "cadence", False, False, "live", 0.3, NAN, 90.0, NAN, 70.0, None, None, None)


def plan(*, at: int = 2, announce: str = "", caution: str = "", resting: bool = False) -> PlanView:
    listed = (
        ("warm-up", "warm-up", 600.0, 120.0, "seated"),
        ("zero offset", "zero", 60.0, None, "seated"),
        ("steady 200", "steady", 180.0, 200.0, "seated"),
        ("over-unders", "over-under", 240.0, 230.0, "seated"),
        ("sprint #1", "sprint", 10.0, 900.0, "standing"),
        ("sprint #2", "sprint", 10.0, 900.0, "standing"),
        ("side to side", "sway", 60.0, 250.0, "side-to-side"),
        ("steady 200, long", "steady", 1200.0, 200.0, "seated"),
        ("cool-down", "cool-down", 300.0, 100.0, "seated"),
    )
    steps = tuple(StepView(*each, _state(number, at, resting)) for number, each in enumerate(listed))
    step = steps[at] if at < len(steps) and not resting else None
    return PlanView("bench protocol", steps, step, 90.0, 75.0, 105.0, at == 2, resting, announce, caution)


def _state(number: int, at: int, resting: bool) -> Literal["done", "now", "next", "later", "skipped"]:
    coming = at if resting else at + 1
    if number == 1 and at > 1:
        return "skipped"
    if number < at:
        return "done"
    if number == at and not resting:
        return "now"
    return "next" if number == coming else "later"


def segment_rows(meters: tuple[MeterView, ...], count: int = 6) -> tuple[SegmentRow, ...]:
    names = [m.name for m in meters]
    words: tuple[Word, ...] = ("agrees", "differs", "undecided")
    return tuple(
        SegmentRow(
            number,
            f"steady {150 + 25 * number}",
            180.0 if number < count else 75.0,
            number == count,
            {name: 150.0 + 25 * number + i for i, name in enumerate(names)},
            {name: (-1.0) ** i * 0.7 * i for i, name in enumerate(names) if i},
            {name: words[i % 3] for i, name in enumerate(names) if i},
        )
        for number in range(1, count + 1)
    )


def riding(meters: int = 3, *, sensor: bool = True) -> Snapshot:
    """In the middle of a steady step, all well."""
    views = tuple(meter(number) for number in range(meters))
    return Snapshot(
        bench="Quayside bench",
        recorded_s=1234.0,
        reference="Alder",
        window_s=60,
        trend_step_s=5.0,
        meters=(*views, ELM) if sensor else views,
        plan=plan(),
        segments=segment_rows(views),
        messages=(
            Message(3.0, "Alder is here: firmware 1.4, battery 88 %."),
            Message(640.0, "Birch took its zero offset: 0.12 N·m.", "watch"),
            Message(905.0, "Cedar was silent for 7 s.", "bad"),
            Message(1120.0, "Mark."),
        ),
        disk="well",
        disk_words="41 GB free",
        clock="well",
        clock_words="steady",
        recording="/rides/quayside-2026-05-02.parquet",
    )


def with_links(snapshot: Snapshot) -> Snapshot:
    """Five meters, one in each state of its link."""
    links: tuple[tuple[LinkState, float], ...] = (
        ("live", 0.2),
        ("waiting", NAN),
        ("silent", 7.0),
        ("lost", 12.0),
        ("back", 0.1),
    )
    views = tuple(
        replace(meter(n, link=link, silent_s=silent), power_w=NAN if link in ("waiting", "silent", "lost") else 212.0)
        for n, (link, silent) in enumerate(links)
    )
    return replace(snapshot, meters=views)


def without_reference(snapshot: Snapshot) -> Snapshot:
    bare = (
        replace(m, is_reference=False, window=None, segment=None, steady=None, trend_pct=()) for m in snapshot.meters
    )
    return replace(snapshot, reference=None, meters=tuple(bare))


def hostile() -> Snapshot:
    """Every text of a snapshot from somebody who means harm."""
    base = riding(len(HOSTILE), sensor=False)
    bad = "".join(HOSTILE[:4])
    views = tuple(replace(m, name=n, place=n, note=n) for m, n in zip(base.meters, HOSTILE, strict=True))
    steps = tuple(replace(s, name=bad, posture=bad) for s in plan().steps)
    shown_plan = replace(plan(announce=bad, caution=bad), name=bad, steps=steps, step=steps[2])
    return replace(
        base,
        bench=bad,
        reference=HOSTILE[0],
        meters=views,
        plan=shown_plan,
        segments=tuple(replace(s, name=bad) for s in segment_rows(views)),
        messages=(Message(1.0, bad, "bad"),),
        disk="bad",
        disk_words=bad,
        clock="bad",
        clock_words=bad,
        recording=bad,
        ended_words=bad,
        zero_answers=dict.fromkeys(HOSTILE, bad),
    )
