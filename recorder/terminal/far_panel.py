"""Knows the screen for a rider two metres away: watts, difference, word, time left and next target, all large."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.content import Content

from recorder.live_snapshot import MeterView
from recorder.terminal.digits import TALL_ROWS, Widening, tall, widest_fitting
from recorder.terminal.figures import NOTHING, SIGNS, clock, link_words, plain, signed, signed_pct, span
from recorder.terminal.lines import EMPTY, Part, beside, centred, fit, line, paragraph, shown, spread
from recorder.terminal.plan_panel import target_words
from recorder.terminal.scene import Scene, evidence
from recorder.terminal.status_panel import alarms

# A difference of two figures with both signs in the narrowest fount; narrower columns turn the page instead.
_LEAST_COLUMN = 20
_SNAPSHOTS_PER_PAGE = 10


def draw_far(scene: Scene, width: int, height: int) -> list[Content]:
    """Bands of large figures, each under one line of ordinary text. Pages turn by themselves: no hand is free."""
    meters, page = _page(scene, width)
    column = width // max(1, len(meters)) - 1
    words_apart = height >= 4 * (TALL_ROWS + 1)
    watts, away, words, left = _band_rows(height, words_apart)
    caution = _caution(scene, width, words or away)
    lines = [*_names(meters, column), *_figures([plain(m.power_w) for m in meters], column, watts)]
    if words_apart:
        lines += _differences(meters, column, away, sign_beside=False)
        lines += caution or _words(meters, column, words)
    else:
        lines += caution or _differences(meters, column, away, sign_beside=True)
    return [*lines, _foot(scene, page, width), *_time_and_target(scene, width, left)][:height]


def _band_rows(height: int, words_apart: bool) -> tuple[int, int, int, int]:
    """Rows for watts, difference, word and time: one fount height each; watts, then time, get twice that first."""
    watts, away, words, left = TALL_ROWS, TALL_ROWS, TALL_ROWS if words_apart else 0, TALL_ROWS
    spare = height - (watts + away + words + left) - (4 if words_apart else 3)
    more = [max(0, min(TALL_ROWS, spare - TALL_ROWS * before)) for before in range(3)]
    return watts + more[0], away + more[2], words, left + more[1]


def _page(scene: Scene, width: int) -> tuple[list[MeterView], str]:
    meters = scene.meters
    most = max(1, width // _LEAST_COLUMN)
    pages = max(1, -(-len(meters) // most))
    size = -(-len(meters) // pages)
    turn = (scene.seen // _SNAPSHOTS_PER_PAGE) % pages
    return meters[turn * size : (turn + 1) * size], f"  meters {turn + 1}/{pages}" if pages > 1 else ""


def _names(meters: Sequence[MeterView], column: int) -> list[Content]:
    def name(meter: MeterView) -> Content:
        link = line("  ", (f" {link_words(meter)} ", "bold reverse")) if meter.link != "live" else EMPTY
        return centred(line((shown(meter.name, 24), "bold"), link), column)

    return _across(meters, column, lambda m: [name(m)])


def _differences(meters: Sequence[MeterView], column: int, rows: int, *, sign_beside: bool) -> list[Content]:
    """Watts away from the reference over the window; beside them the sign of the verdict, its word above."""

    def caption(meter: MeterView) -> Content:
        if meter.is_reference:
            return centred(line(("reference", "$faint")), column)
        _, against = evidence(meter)
        share = f"{signed_pct(meter.window.difference_pct)} % " if meter.window is not None else ""
        word = (f"{SIGNS[against.word]} {against.word}", f"bold ${against.word}") if against is not None else ""
        return centred(line(share, word), column)

    def figures(meter: MeterView, with_sign: bool) -> str:
        if meter.is_reference:
            return ""
        _, against = evidence(meter)
        watts = signed(meter.window.difference_w) if meter.window is not None else NOTHING
        return watts + (" " + SIGNS[against.word] if with_sign and against is not None else "")

    texts = [figures(meter, sign_beside) for meter in meters]
    if widest_fitting(texts, column, rows) is None:  # figures before signs: the word stands in the caption
        texts = [figures(meter, False) for meter in meters]
    captions = _across(meters, column, lambda m: [caption(m)])
    return captions + _figures(texts, column, rows, [_ink(meter) for meter in meters])


def _words(meters: Sequence[MeterView], column: int, rows: int) -> list[Content]:
    """The words in large letters where the columns are wide enough, else their signs."""
    found = [evidence(m)[1] if not m.is_reference else None for m in meters]
    words = [against.word.upper() if against is not None else "" for against in found]
    if widest_fitting(words, column, rows) is None:
        words = [SIGNS[against.word] if against is not None else "" for against in found]
    captions = _across(meters, column, lambda m: [centred(line((evidence(m)[0], "$faint")), column)])
    return captions + _figures(words, column, rows, [_ink(m) for m in meters])


def _ink(meter: MeterView) -> str:
    _, against = evidence(meter)
    return f"${against.word}" if against is not None and not meter.is_reference else "$strong"


def _foot(scene: Scene, page: str, width: int) -> Content:
    """One line over the last band: alarms first, then what comes, then captions."""
    found = alarms(scene)
    if found:
        return line((f" ! {found[0]} ", "bold $on-alarm on $alarm"))
    plan = scene.snapshot.plan
    right = line((f"{page}  b back", "$faint"))
    if plan is not None and plan.announce:
        return spread(line((f" ▸ {shown(plan.announce, 120)} ", "bold reverse")), right, width)
    window = span(scene.snapshot.window_s)
    if plan is None:
        return spread(line((f" recorded; W away over {window}", "$faint")), right, width)
    now = "rest" if plan.resting else shown(plan.step.name, 32) if plan.step is not None else ""
    parts: list[Part] = [(" left of ", "$faint"), (now or "nothing", "bold"), (f"  W away over {window}", "$faint")]
    following = next((s for s in plan.steps if s.state == "next"), None)
    coming = line(("next ", "$faint"), (shown(following.name, 24), "bold")) if following is not None else EMPTY
    return spread(line(*parts), line(coming, right), width)


def _time_and_target(scene: Scene, width: int, rows: int) -> list[Content]:
    plan = scene.snapshot.plan
    if plan is None:
        return _figures([clock(scene.snapshot.recorded_s)], width, rows)
    following = next((s for s in plan.steps if s.state == "next"), None)
    target = target_words(following).removesuffix(" W") if following is not None else ""
    return _figures([clock(plan.left_s), target if target != "free" else NOTHING], width // 2 - 1, rows)


def _caution(scene: Scene, width: int, rows: int) -> list[Content]:
    """Takes the place of a band in the seconds before an effort, when it has to be read."""
    plan = scene.snapshot.plan
    if plan is None or not plan.caution or not plan.announce:
        return []
    words = paragraph(f"! {shown(plan.caution, 240)}", width - 4, "bold $on-alarm on $alarm", rows)
    return ([EMPTY] + [line("  ", each) for each in words] + [EMPTY] * rows)[: rows + 1]


def _figures(texts: list[str], column: int, rows: int, styles: list[str] | None = None) -> list[Content]:
    """All texts of a band in one size; where not even the smallest fits, in ordinary type."""
    widening = widest_fitting(texts, column, rows)
    drawn = [
        _one(text, widening, style) for text, style in zip(texts, styles or ["$strong"] * len(texts), strict=True)
    ]
    height = widening.height if widening is not None else TALL_ROWS
    above = (rows - height) // 2
    columns = [([EMPTY] * above + [centred(each, column) for each in lines], column) for lines in drawn]
    return (beside(columns) + [EMPTY] * rows)[:rows]


def _one(text: str, widening: Widening | None, style: str) -> list[Content]:
    if widening is None:
        return [EMPTY] * (TALL_ROWS // 2) + [line((text, f"bold {style}"))]
    return [line((row, style)) for row in tall(text, widening)]


def _across(meters: Sequence[MeterView], column: int, cell: Callable[[MeterView], list[Content]]) -> list[Content]:
    return [fit(each, 10_000).rstrip() for each in beside([(cell(m), column) for m in meters])]
