"""The parts of the screen by themselves: shapes that tell the truth, sizes that fit, colours that show."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from textual.content import Content
from textual.theme import Theme

from analysis.verdict import decide
from recorder.live_snapshot import Message
from recorder.terminal import figures, palette
from recorder.terminal.arrangement import Needs, arrange
from recorder.terminal.clap_page import clap_words, draw_clap
from recorder.terminal.digits import TALL_ROWS, WIDENINGS, Widening, half_rows, tall, tall_width, widest_fitting
from recorder.terminal.errands import Errands
from recorder.terminal.far_panel import draw_far
from recorder.terminal.keys import KEYS, key_lines, keys_for
from recorder.terminal.lines import beside, fit, line, spread
from recorder.terminal.parts import PARTS, places
from recorder.terminal.rail import rail
from recorder.terminal.scene import Scene, evidence
from recorder.terminal.screen_state import NO_NEWS_AFTER_S, ScreenState
from recorder.terminal.trend import trend
from tests import screens

WIDTHS = st.integers(13, 81)
PERCENT = st.floats(-20, 20, allow_nan=False)
HALF_WIDTHS = st.one_of(st.floats(0, 20, allow_nan=False), st.just(math.inf))


def texts(lines: list[Content]) -> str:
    return "\n".join(each.plain for each in lines)


@given(PERCENT, HALF_WIDTHS, st.floats(0.3, 5.0), WIDTHS)
def test_the_shape_of_a_rail_alone_tells_the_word(
    away_pct: float, half_width_pct: float, tolerance_pct: float, width: int
) -> None:
    drawn = rail(screens.against(away_pct, half_width_pct, tolerance_pct=tolerance_pct), width).plain
    left, right = drawn.index("["), drawn.index("]")
    marked = [i for i, sign in enumerate(drawn) if sign in "━╍┿●◀▶"]
    inside = all(left < i < right for i in marked)
    outside = all(i > right for i in marked) or all(i < left for i in marked)
    word = decide(away_pct, half_width_pct, tolerance_pct)
    assert (inside, outside) == (word == "agrees", word == "differs")
    assert left + right == len(drawn) - 1


def test_a_rail_shows_estimate_interval_and_what_is_off_its_scale() -> None:
    assert rail(screens.against(0.3, 0.6), 25).plain == "······[····━┿●━━━·]······"
    assert rail(screens.against(1.1, 0.9), 25).plain == "······[·····┼╍╍╍╍●]╍╍╍···"
    assert rail(screens.against(7.5, 1.2), 25).plain == "······[·····┼·····]·····▶"
    assert rail(screens.against(0.1, math.inf), 13).plain == "◀╍╍[╍╍●╍╍]╍╍▶"
    assert rail(screens.against(math.nan, math.nan), 13).plain == "···[··┼··]···"


@given(st.lists(st.one_of(PERCENT, st.just(math.nan)), max_size=200), st.integers(1, 90), st.integers(1, 8))
def test_a_trend_fills_its_rectangle_and_nothing_else(values: list[float], width: int, height: int) -> None:
    drawn = trend(values, -2.5, 1.4, width, height)
    assert [each.cell_length for each in drawn] == [width] * height


def test_a_trend_lies_high_for_high_values_and_leaves_gaps() -> None:
    def inked(values: list[float]) -> list[str]:
        return ["".join(c for c in each.plain if c != " ") for each in trend(values, 0.0, 1.0, 4, 1)]

    top, middle, bottom = (inked([value] * 8)[0] for value in (2.0, 0.0, -2.0))
    assert (top, bottom) == ("⠉⠉⠉⠉", "⣀⣀⣀⣀")  # dots 1 and 4, dots 7 and 8: Unicode, Braille Patterns
    assert middle not in (top, bottom)
    assert inked([math.nan] * 8) == [""]


@pytest.mark.parametrize("widening", WIDENINGS)
def test_large_figures_are_at_least_seven_rows_high(widening: Widening) -> None:
    rows = tall("0123456789+−.:=≠? AGREESDIFFERSUNDECIDED", widening)
    assert len(rows) == widening.height >= TALL_ROWS
    assert len({len(row) for row in rows}) == 1


def test_the_largest_size_that_fits_is_taken_and_none_where_none_does() -> None:
    widening = widest_fitting(["212", "1024"], 26, 7)
    assert widening is not None
    assert tall_width("1024", widening) <= 26
    assert widest_fitting(["212"], 200, 24) is WIDENINGS[0]
    assert widest_fitting(["212"], 10, 7) is None
    assert [len(row) for row in half_rows("212", 4)] == [12] * 4
    assert [len(row) for row in half_rows("212", 3)] == [10] * 3


def test_figures_read_as_people_write_them() -> None:
    assert [figures.signed(v) for v in (5.4, -0.4, -11.6, math.nan)] == ["+5", "0", "−12", "–"]
    assert [figures.signed_pct(v) for v in (-2.44, 0.02, 345.6)] == ["−2.4", "0.0", "+346"]
    assert [figures.clock(v) for v in (0.9, 65, 3723, math.inf, -3)] == ["0:00", "1:05", "1:02:03", "–", "0:00"]
    assert [figures.roughly(v) for v in (3, 41, 130, 7200)] == ["10 s", "50 s", "3 min", "2 h"]
    assert figures.link_words(screens.meter(1, link="silent", silent_s=7.2)) == "silent 7 s"


@given(st.text(max_size=60), st.integers(1, 40))
def test_a_fitted_line_has_its_width_whatever_it_holds(text: str, width: int) -> None:
    assert fit(line(text.replace("\n", " ")), width).cell_length == width


def test_wide_characters_count_as_two_cells() -> None:
    assert spread(line("計器の名前"), line("live"), 12).plain == "計器の …live"  # half of 名 would not fit
    assert [each.cell_length for each in beside([([line("計器")], 3), ([line("x"), line("y")], 2)])] == [6, 6]


NEEDS = st.builds(
    Needs,
    header=st.integers(1, 4),
    keys=st.integers(1, 4),
    meters=st.integers(1, 8),
    sensors=st.integers(0, 1),
    plan_least=st.integers(1, 9),
    plan_full=st.integers(9, 60),
    segments_full=st.integers(3, 60),
    messages_full=st.integers(2, 12),
)


@given(NEEDS, st.integers(20, 250), st.integers(8, 80))
def test_panels_never_overlap_and_never_leave_the_terminal(needs: Needs, width: int, height: int) -> None:
    taken: set[tuple[int, int]] = set()
    for rect in arrange(width, height, needs).values():
        cells = {(x, y) for x in range(rect.x, rect.x + rect.width) for y in range(rect.y, rect.y + rect.height)}
        assert not cells & taken
        taken |= cells
        if needs.header + needs.keys <= height:
            assert rect.x + rect.width <= width
            assert rect.y + rect.height <= height


def drawn(scene: Scene, width: int, height: int, *, far: bool = False) -> dict[str, list[Content]]:
    rects = places(scene, width, height, far=far)
    return {name: PARTS[name](scene, rect.width, rect.height)[: rect.height] for name, rect in rects.items()}


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 36), (160, 45), (200, 50)])
@pytest.mark.parametrize("meters", [1, 3, 5, 8])
def test_nothing_essential_is_cut_off(meters: int, size: tuple[int, int]) -> None:
    caution = screens.plan(at=3, announce="in 8 s: sprint #1, 900 W", caution=screens.CAUTION)
    for plan in (screens.plan(), caution):
        snapshot = replace(screens.riding(meters), plan=plan)
        scene = Scene(snapshot, owner=True)
        parts = {name: texts(lines) for name, lines in drawn(scene, *size).items()}
        for meter in scene.meters:
            _, against = evidence(meter)
            watts = figures.plain(meter.power_w)
            assert meter.name in parts["meters"]
            assert watts in parts["meters"] or _in_blocks(watts, parts["meters"])
            if against is not None:
                assert against.word in parts["meters"]
                assert figures.signed(meter.window.difference_w if meter.window else math.nan) in parts["meters"]
        assert parts["meters"].count("live") == meters + 1
        assert parts["meters"].count("[") == parts["meters"].count("]") == meters - 1
        assert "1:45" in parts["plan"]
        assert all(word in " ".join(parts["plan"].split()) for word in plan.caution.split())
        assert plan.announce in parts["plan"]
        assert plan.step is not None
        assert f"{plan.step.target_w:.0f} W" in parts["plan"]
        assert len(parts["messages"].splitlines()) >= 2
        assert all(f" {key.key} " in parts["keys"] and key.label in parts["keys"] for key in keys_for(owner=True))


def _in_blocks(watts: str, text: str) -> bool:
    shapes = [half_rows(watts, 4)[0], half_rows(watts, 3)[0], tall(watts, WIDENINGS[4])[0]]
    return any(shape in text for shape in shapes)


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 50)])
@pytest.mark.parametrize("meters", [1, 3, 5, 8])
def test_seen_from_afar_watts_difference_time_and_target_are_large(meters: int, size: tuple[int, int]) -> None:
    pages = {texts(draw_far(Scene(screens.riding(meters), True, seen), *size)) for seen in range(0, 40, 10)}
    for page in pages:
        assert len(page.splitlines()) <= size[1]
        assert max(len(row) for row in page.splitlines()) <= size[0]
    every = "\n".join(pages)
    assert all(meter.name in every for meter in screens.riding(meters, sensor=False).meters)
    assert all(_bands_of_blocks(page) >= (3 if meters > 1 else 2) for page in pages)
    assert "left of steady 200" in every
    assert "next over-unders" in every


def _bands_of_blocks(page: str) -> int:
    """How often seven rows or more with blocks follow each other, parted by rows of ordinary text."""
    runs = "".join("#" if "█" in row else " " for row in page.splitlines()).split()
    return sum(len(run) >= TALL_ROWS for run in runs)


@given(st.integers(0, 4 * 10**18))
def test_no_instant_of_a_clap_is_clipped(utc_ns: int) -> None:
    _, _, day, _, time = clap_words(utc_ns).replace("T", " T ").split()
    for width, height in ((80, 24), (120, 36), (200, 50)):
        page = [each.plain for each in draw_clap(utc_ns, width, height)]
        assert len(page) <= height
        assert {each.cell_length for each in draw_clap(utc_ns, width, height)} <= {0, width}
        shapes = [tall(time, widening) for widening in WIDENINGS]
        assert any(all(row.strip() in "\n".join(page) for row in shape) for shape in shapes)
        assert "…" not in "".join(page)
        assert _bands_of_blocks("\n".join(page)) == 1
        assert any(row.strip() == day for row in page)


def test_the_figures_of_a_clap_grow_with_the_screen_down_to_a_line_of_text() -> None:
    inked = [texts(draw_clap(0, *size)).count("█") for size in ((80, 24), (120, 36), (200, 50), (300, 90))]
    assert inked == sorted(set(inked))
    assert texts(draw_clap(0, 24, 5)).split() == ["clap", "00:00:00.000", "UTC", "1970-01-01"]


@pytest.mark.parametrize(
    ("utc_ns", "words"),
    [  # the second as in POSIX.1-2017, "seconds since the epoch", worked by hand
        (951_782_400_000_000_000, "clap at 2000-02-29T00:00:00.000Z"),
        (1_777_730_607_845_999_999, "clap at 2026-05-02T14:03:27.845Z"),
        (1_777_766_399_999_999_999, "clap at 2026-05-02T23:59:59.999Z"),
    ],
)
def test_the_milliseconds_of_a_clap_are_cut_and_never_rounded_up(utc_ns: int, words: str) -> None:
    assert clap_words(utc_ns) == words


def test_the_caution_takes_a_band_of_the_far_screen_before_an_effort() -> None:
    plan = screens.plan(at=3, announce="in 8 s: sprint #1, 900 W", caution=screens.CAUTION)
    for size in ((80, 24), (200, 50)):
        page = texts(draw_far(Scene(replace(screens.riding(), plan=plan), True), *size))
        assert all(word in page for word in screens.CAUTION.split())
        assert plan.announce in page


def test_an_alarm_is_said_on_the_far_screen_too() -> None:
    snapshot = replace(screens.riding(), disk="bad", disk_words="full; rows wait in memory")
    assert "! disk: full; rows wait in memory" in texts(draw_far(Scene(snapshot, True), 80, 24))


def test_hostile_texts_leave_only_printable_characters() -> None:
    scene = Scene(screens.hostile(), True, 0, ("\x1b[2J",), ("\x9b31m\u202e",))
    for width, height, far in ((80, 24, False), (200, 50, False), (120, 36, True)):
        for lines in drawn(scene, width, height, far=far).values():
            found = {c for c in texts(lines) if unicodedata.category(c).startswith("C") and c != "\n"}
            assert found == set()
            assert all(each.cell_length <= width for each in lines)


def _luminance(colour: str) -> float:
    """Relative luminance as in WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_value_of_the_standard() -> None:
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2, definition of contrast ratio
    assert _contrast("#777777", "#ffffff") < 4.5 < _contrast("#767676", "#ffffff")  # a much cited boundary


@pytest.mark.parametrize("theme", [palette.DARK, palette.LIGHT], ids=lambda theme: theme.name)
def test_contrast_is_that_of_level_aa(theme: Theme) -> None:
    """WCAG 2.2, 1.4.3: 4.5 for text; 1.4.11: 3 for lines that carry meaning."""
    grounds = [theme.background or "", theme.surface or ""]
    inks = {**theme.variables, "foreground": theme.foreground or ""}
    on_alarm, rule = inks.pop("on-alarm"), inks.pop("rule")
    alarm = inks.pop("alarm")
    for ground in grounds:
        for ink in inks.values():
            assert _contrast(ink, ground) >= 4.5
        assert _contrast(rule, ground) >= 3.0
    assert _contrast(on_alarm, alarm) >= 4.5
    # Reversed text swaps ink and ground, which has the same contrast.


def test_every_key_is_there_once_and_can_be_tapped() -> None:
    keys = [key.key for key in keys_for(owner=True)]
    assert len(keys) == len(set(keys)) == len(KEYS) + 1
    clicks = {str(span.style) for each in key_lines(True, 80) for span in each.spans}
    assert all(any(f"@click=app.{key.action}" in click for click in clicks) for key in keys_for(owner=True))
    assert all(each.cell_length <= 80 for each in key_lines(True, 80))


def test_a_recorder_that_falls_silent_is_said_and_forgotten_again() -> None:
    state = ScreenState(owner=True, started_s=100.0)
    state.took(screens.riding(), 100.0)
    assert state.scene(100.0 + NO_NEWS_AFTER_S).troubles == ()
    assert "no news from the recorder for 9 s" in state.scene(109.0).troubles[0]
    state.took(screens.riding(), 109.5)
    assert state.scene(109.6).troubles == ()


def test_a_ride_that_cannot_be_read_is_counted_in_words() -> None:
    state = ScreenState(owner=True, started_s=0.0)
    state.missed(OSError("gone"))
    state.missed(OSError("gone"))
    assert state.scene(0.0).troubles == ("the ride cannot be read (2 times): OSError: gone",)


def test_the_bell_is_due_once_per_announced_step() -> None:
    state = ScreenState(owner=True, started_s=0.0)

    def rings(at: int, announce: str) -> bool:
        return state.took(replace(screens.riding(), plan=screens.plan(at=at, announce=announce)), 0.0)

    said = [(2, ""), (2, "in 10 s: over-unders"), (2, "in 9 s: over-unders"), (3, "in 10 s: sprint"), (3, "")]
    assert [rings(*each) for each in said] == [False, True, False, True, False]


def test_notices_pass_by_themselves() -> None:
    state = ScreenState(owner=True, started_s=0.0)
    state.notice("mark asked for", 10.0)
    assert state.scene(12.0).notices == ("mark asked for",)
    assert state.scene(20.0).notices == ()


def test_errands_go_on_after_a_fault_and_tell_it() -> None:
    failed: list[tuple[str, str]] = []
    done: list[str] = []

    def broken() -> None:
        raise OSError("socket gone")

    errands = Errands(lambda name, words: failed.append((name, words)))
    errands.put("mark", broken)
    errands.put("next", lambda: False)
    errands.put("skip", lambda: done.append("skip"))
    errands.stop()
    errands.run()
    assert failed == [("mark", "OSError: socket gone"), ("next", "the recorder could not be reached")]
    assert done == ["skip"]


def test_earlier_messages_give_way_to_later_ones() -> None:
    messages = tuple(Message(float(n), f"message {n}") for n in range(40))
    lines = PARTS["messages"](Scene(replace(screens.riding(), messages=messages), True), 60, 6)
    assert texts(lines[1:]) == "\n".join(f"   0:{n}   message {n}" for n in range(35, 40))
