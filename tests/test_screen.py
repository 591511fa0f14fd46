"""The live screen without a terminal: what it shows in every state, what keys ask, and that no fault ends it."""

from __future__ import annotations

import asyncio
import threading
import unicodedata
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import cast

import pytest
from textual.pilot import Pilot

from recorder.control_words import Ask
from recorder.live_snapshot import Snapshot, StepView
from recorder.terminal.clap_page import ClapPage
from recorder.terminal.live_app import LiveScreen, SnapshotCame
from recorder.terminal.panel import Panel
from tests import screens

SMALL, MIDDLE, LARGE = (80, 24), (120, 36), (200, 50)


class RingingScreen(LiveScreen):
    """Counts its bells, for a headless screen has none, and the snapshots that reach it."""

    rings = 0
    taken = 0

    def on_snapshot_came(self, message: SnapshotCame) -> None:
        # Textual calls the handler of the base class as well.
        self.taken += 1

    def bell(self) -> None:
        self.rings += 1


class FixedClock:
    name = "fixed"

    def now_ns(self) -> int:
        return 0

    def awake_ns(self) -> int:
        return 0

    def utc_ns(self) -> int:
        # 2 May 2026 is day 20575 since 1970: 56 years of 365 days, 14 leap days, and 121 days of that year.
        return (20575 * 86400 + 14 * 3600 + 3 * 60 + 27) * 10**9 + 845_999_999


@dataclass
class Bench:
    """The recorder's side of the screen, and the screen."""

    snapshot: Snapshot
    asks: list[Ask] = field(default_factory=list)
    chosen: list[str | int | None] = field(default_factory=list)
    refuses: bool = False
    app: RingingScreen = field(init=False)
    pilot: Pilot[int] = field(init=False)

    def next_snapshot(self) -> Snapshot:
        return self.snapshot

    def ask(self, ask: Ask) -> None:
        if self.refuses:
            raise ConnectionError("socket gone")
        self.asks.append(ask)

    def choose(self, *, reference: str | None = None, window_s: int | None = None) -> None:
        self.chosen.append(reference or window_s)

    async def show(self, snapshot: Snapshot | Exception) -> str:
        if isinstance(snapshot, Snapshot):
            self.snapshot = snapshot
        self.app.post_message(SnapshotCame(snapshot))
        return await self.text()

    async def press(self, *keys: str) -> str:
        await self.pilot.press(*keys)
        return await self.text()

    async def text(self) -> str:
        """All that is on the screen, line by line."""
        await self.pilot.pause()
        return "\n".join(strip.text for strip in self.app.screen._compositor.render_strips())

    async def until_said(self, words: str) -> None:
        while words not in await self.text():
            await asyncio.sleep(0.01)

    async def resize(self, width: int, height: int) -> str:
        await self.pilot.resize_terminal(width, height)
        await until(lambda: self.app.screen.size == (width, height))
        return await self.text()


@asynccontextmanager
async def screen(
    snapshot: Snapshot, size: tuple[int, int] = SMALL, *, owner: bool = True, clap_s: float = 3600
) -> AsyncIterator[Bench]:
    bench = Bench(snapshot)
    bench.app = RingingScreen(
        bench.next_snapshot, bench.ask, owner, bench.choose, clock=FixedClock(), refresh_s=3600, clap_s=clap_s
    )
    async with bench.app.run_test(size=size) as pilot:
        bench.pilot = pilot
        await bench.show(snapshot)
        yield bench


async def until(reached: Callable[[], bool]) -> None:
    """Errands run in a thread; gives it the loop until it is through."""
    for _ in range(500):
        if reached():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("never reached")


async def test_links_and_words_are_said() -> None:
    async with screen(screens.riding(5), MIDDLE) as bench:
        text = await bench.show(screens.with_links(bench.snapshot))
        for words in ("live", "waiting", "silent 7 s", "lost", "back", "= agrees", "≠ differs", "? undecided"):
            assert words in text
        assert "against Alder, last 60 s" in text
        assert "disk 41 GB free  clock steady" in text


async def test_rides_without_reference_plan_or_sensor() -> None:
    async with screen(screens.without_reference(screens.riding())) as bench:
        assert "no reference" in await bench.text()
        assert "no plan: the ride is free" in await bench.show(replace(bench.snapshot, plan=None))
        assert "Elm 90 rpm" in await bench.text()
        assert "Elm" not in await bench.show(screens.riding(3, sensor=False))


async def test_the_plan_in_all_its_states() -> None:
    async with screen(screens.riding(1)) as bench:

        async def planned(**changes: object) -> str:
            plan = replace(screens.plan(), **changes)  # type: ignore[arg-type]
            return await bench.show(replace(bench.snapshot, plan=plan))

        text = await planned()
        assert "NOW  steady 200" in text
        assert "200 W  90 rpm  seated  ends when decided" in text
        assert "1:45 left of 3:00" in text
        assert "next  over-unders  230 W  seated" in text
        rest = await bench.show(replace(bench.snapshot, plan=screens.plan(at=5, resting=True)))
        assert "REST  easy spinning" in rest
        assert "next  sprint #2  900 W  standing" in rest
        assert "▸ in 9 s: sprint, 900 W" in await planned(announce="in 9 s: sprint, 900 W")
        assert screens.CAUTION in " ".join((await planned(caution=screens.CAUTION)).split())
        steps = screens.plan().steps
        assert "the plan has not begun: n begins it" in await planned(
            step=None, steps=tuple(replace(s, state="later") for s in steps)
        )
        assert "the plan is done" in await planned(step=None, steps=tuple(replace(s, state="done") for s in steps))


async def test_the_bell_rings_once_when_a_step_is_announced() -> None:
    async with screen(screens.riding()) as bench:
        for left in (10, 9, 8):
            plan = screens.plan(announce=f"in {left} s: over-unders")
            await bench.show(replace(bench.snapshot, plan=plan))
        assert bench.app.rings == 1


async def test_disk_clock_and_missing_news_are_said_at_the_top() -> None:
    async with screen(screens.riding()) as bench:
        ill = replace(bench.snapshot, disk="bad", disk_words="disk full; rows wait", clock="watch", clock_words="")
        text = await bench.show(ill)
        assert "! disk: disk full; rows wait" in text.splitlines()[1]
        assert "clock watch" in text
        text = await bench.show(OSError("the journal is gone"))
        assert "the ride cannot be read (1 times): OSError: the journal is gone" in text
        assert "(2 times)" in await bench.show(OSError("the journal is gone"))
        assert "cannot be read" not in await bench.show(screens.riding())


async def test_before_the_first_snapshot_it_waits_and_can_be_left() -> None:
    never = threading.Event()

    def hangs() -> Snapshot:
        never.wait(60)
        return screens.riding()

    app = LiveScreen(hangs, lambda ask: None, False, lambda **chosen: None, clock=FixedClock())
    async with app.run_test(size=SMALL) as pilot:
        await pilot.pause()
        strips = app.screen._compositor.render_strips()
        assert "waiting for the recorder" in strips[0].text
        await pilot.press("q", "y")
    assert app.return_value == 0
    never.set()


async def test_keys_become_asks_in_the_order_pressed() -> None:
    async with screen(screens.riding()) as bench:
        await bench.press("m", "n", "k", "e", "r")
        await until(lambda: len(bench.asks) == 5)
        assert bench.asks == [Ask("mark"), Ask("next"), Ask("skip"), Ask("extend", seconds=30.0), Ask("repeat")]
        assert "repeat asked for" in await bench.text()


CLAPPED = Ask("clap", text="clap at 2026-05-02T14:03:27.845Z")


@pytest.mark.parametrize("owner", [True, False])
@pytest.mark.parametrize("planned", [True, False])
@pytest.mark.parametrize("size", [SMALL, MIDDLE, LARGE])
async def test_a_clap_is_marked_and_shown_over_the_whole_screen(
    size: tuple[int, int], planned: bool, owner: bool
) -> None:
    riding = screens.riding() if planned else replace(screens.riding(), plan=None)
    async with screen(riding, size, owner=owner) as bench:
        text = await bench.press("c")
        await until(lambda: bench.asks == [CLAPPED])
        assert text.split()[0] == "clap"
        assert text.count("UTC") == text.count("2026-05-02") == 1
        assert "Alder" not in text
        assert text == await bench.show(replace(riding, recorded_s=999.0))


@pytest.mark.parametrize("key", ["c", "q", "space", "enter", "escape", "tab", "down", "ctrl+c"])
async def test_any_key_leaves_the_clap_and_does_no_more(key: str) -> None:
    async with screen(screens.riding()) as bench:
        await bench.press("c")
        assert "NOW  steady 200" in await bench.press(key)
        assert len(bench.app.screen_stack) == 1
        await until(lambda: bench.asks == [CLAPPED])


async def test_a_clap_can_be_tapped_and_tapped_away() -> None:
    async with screen(screens.riding()) as bench:
        await bench.pilot.click("#keys", offset=(10, 0))
        assert isinstance(bench.app.screen, ClapPage)
        await bench.pilot.click(offset=(10, 10))
        assert "NOW  steady 200" in await bench.text()


async def test_a_clap_leaves_by_itself_even_from_under_a_question() -> None:
    async with screen(screens.riding(), clap_s=0.01) as bench:
        bench.app.action_clap()
        assert isinstance(bench.app.screen, ClapPage)
        bench.app.action_leave()
        await bench.until_said("End the recording?")
        await bench.press("n")
        await bench.until_said("NOW  steady 200")
        assert len(bench.app.screen_stack) == 1
    assert bench.asks == [CLAPPED]


async def test_a_ride_that_ends_behind_a_clap_is_said() -> None:
    async with screen(screens.riding()) as bench:
        await bench.press("c")
        assert "the recording has ended" in await bench.show(replace(bench.snapshot, ended=True))
        await bench.press("x")
    assert bench.app.return_value == 0


ASKED = "press y on the screen to let Cedar go to 250 W"


async def test_y_answers_the_question_that_is_shown_and_x_takes_the_load_off() -> None:
    riding = screens.riding()
    assert riding.plan is not None
    asked = replace(riding, question=ASKED, plan=replace(riding.plan, announce=ASKED))
    async with screen(asked) as bench:
        for size in (SMALL, MIDDLE):
            assert "press y" in await bench.resize(*size)
        await bench.press("b")
        assert "press y" in await bench.text()
        await bench.press("b", "h", "y", "escape")  # nobody can read the question behind a page
        await bench.press("x", "y")
        await until(lambda: len(bench.asks) == 2)
        assert bench.asks == [Ask("release"), Ask("resist", text=ASKED)]
        await bench.show(riding)
        assert "nothing is asked" in await bench.press("y")
    assert len(bench.asks) == 2


async def test_reference_and_window_go_round() -> None:
    async with screen(screens.riding()) as bench:
        await bench.press("f", "w")
        await bench.show(replace(bench.snapshot, reference="Cedar", window_s=180))
        await bench.press("f", "w")
        await bench.show(screens.without_reference(bench.snapshot))
        await bench.press("f")
        await until(lambda: len(bench.chosen) == 5)
        assert bench.chosen == ["Birch", 180, "Alder", 10, "Alder"]


async def test_zero_offsets_are_asked_one_by_one_or_all_and_answers_shown() -> None:
    async with screen(screens.riding()) as bench:
        text = await bench.press("z")
        assert "crank vertical" in text
        await bench.press("2", "a", "9")
        await until(lambda: len(bench.asks) == 2)
        assert bench.asks == [Ask("zero", sensor="Birch"), Ask("zero")]
        text = await bench.show(
            replace(bench.snapshot, zero_answers={"Birch": "done: 0.12 N·m", "Cedar": "refused: busy"})
        )
        assert "done: 0.12 N·m" in text
        assert "refused: busy" in text
        assert "crank vertical" not in await bench.press("escape")


async def test_the_owner_ends_the_recording_only_after_a_question() -> None:
    async with screen(screens.riding()) as bench:
        for key in ("q", "ctrl+c", "ctrl+q"):
            text = await bench.press(key)
            assert "End the recording?" in text
            text = await bench.press("enter", "ctrl+c", "n")
            assert "End the recording?" not in text
        assert bench.asks == []
        await bench.press("q", "y")
        await until(lambda: bench.asks == [Ask("finish")])
        assert "finishing" in await bench.show(replace(bench.snapshot, finishing=True))
        assert "Leave without waiting?" in await bench.press("q")
        await bench.press("n")
        text = await bench.show(replace(bench.snapshot, ended=True, ended_words="Saved, nothing lost."))
        assert "the recording has ended" in text
        assert "Saved, nothing lost." in text
        assert "/rides/quayside-2026-05-02.parquet" in text
        await bench.press("x")
    assert bench.app.return_value == 0


async def test_who_does_not_wait_for_the_saving_leaves_with_another_status() -> None:
    async with screen(screens.riding()) as bench:
        await bench.press("q", "y")
        await bench.press("q", "y")
    assert bench.app.return_value == 3


async def test_a_finish_that_did_not_arrive_can_be_asked_for_again() -> None:
    async with screen(screens.riding()) as bench:
        bench.refuses = True
        await bench.press("q", "y")
        await bench.until_said("finish failed: ConnectionError: socket gone")
        assert "End the recording?" in await bench.press("q")


async def test_a_watcher_leaves_and_ends_nothing() -> None:
    async with screen(screens.riding(), owner=False) as bench:
        text = await bench.press("q")
        assert "Leave this screen?" in text
        assert "The recording goes on." in text
        await bench.press("y")
    assert bench.app.return_value == 0
    assert bench.asks == []


async def test_keys_can_be_tapped() -> None:
    async with screen(screens.riding()) as bench:
        await bench.pilot.click("#keys", offset=(1, 0))
        await until(lambda: bench.asks == [Ask("mark")])


async def test_help_and_table_open_and_close() -> None:
    async with screen(screens.riding(8), LARGE) as bench:
        text = await bench.press("h")
        for words in ("the rail", "take care", "Warm up", "Puts a mark", "to line up a camera"):
            assert words in text
        await bench.press("escape")
        text = await bench.press("t")
        assert all(f"steady {watts}" in text for watts in range(175, 325, 25))
        assert "take care" not in await bench.press("t")


async def test_the_far_screen_comes_and_goes_with_one_key() -> None:
    async with screen(screens.riding()) as bench:
        text = await bench.press("b")
        assert "next over-unders" in text
        assert "m  mark" not in text
        assert "m  mark" in await bench.press("b")


async def test_light_and_dark() -> None:
    async with screen(screens.riding()) as bench:
        assert bench.app.current_theme.dark
        await bench.press("l")
        assert not bench.app.current_theme.dark
        await bench.press("l")
        assert bench.app.current_theme.dark


async def test_it_follows_every_size_while_it_runs() -> None:
    async with screen(screens.riding(8)) as bench:
        for width, height in (LARGE, MIDDLE, (60, 18), (30, 8), (10, 3), SMALL, (300, 90)):
            text = await bench.resize(width, height)
            assert len(text.splitlines()) == height
            assert all(panel.faults == 0 for panel in bench.app.query(Panel))
            if width >= 60:
                assert [m.name for m in bench.snapshot.meters if m.name not in text] == []


async def test_a_fault_in_one_part_leaves_the_others_readable() -> None:
    async with screen(screens.riding()) as bench:
        nameless = replace(screens.meter(1), name=cast(str, None))
        text = await bench.show(replace(bench.snapshot, meters=(screens.meter(0), nameless)))
        assert "this part cannot be drawn: TypeError" in text
        assert "NOW  steady 200" in text
        assert "= agrees" in await bench.show(screens.riding())


async def test_a_fault_in_laying_out_is_said_and_survived() -> None:
    async with screen(screens.riding()) as bench:
        broken = replace(screens.plan(), caution=cast(str, 7), steps=cast(tuple[StepView, ...], None))
        text = await bench.show(replace(bench.snapshot, plan=broken))
        assert "cannot be laid out anew: TypeError" in text
        assert "NOW  steady 200" in await bench.show(screens.riding())
        text = await bench.show(replace(bench.snapshot, plan=replace(broken, announce="in 9 s")))
        assert "the ride cannot be read (1 times): TypeError" in text
        assert "NOW  steady 200" in text


async def test_hostile_texts_harm_nothing_on_any_page() -> None:
    async with screen(screens.hostile(), MIDDLE) as bench:
        for keys in ((), ("b",), ("b", "z"), ("escape", "t"), ("t", "h"), ("h", "f")):
            text = await bench.press(*keys)
            assert {c for c in text if unicodedata.category(c).startswith("C")} <= {"\n"}
            assert all(panel.faults == 0 for panel in bench.app.query(Panel))
        text = await bench.show(replace(bench.snapshot, ended=True))
        assert {c for c in text if unicodedata.category(c).startswith("C")} <= {"\n"}
        assert "the recording has ended" in text
        await bench.show(OSError("".join(screens.HOSTILE)))


async def test_only_the_newest_of_many_snapshots_is_drawn() -> None:
    async with screen(screens.riding()) as bench:
        before = bench.app.taken
        for second in range(1000):
            bench.app.post_message(SnapshotCame(replace(bench.snapshot, recorded_s=float(second))))
        assert "16:39" in (await bench.text()).splitlines()[0]
        assert bench.app.taken - before < 10
