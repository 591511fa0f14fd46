"""Knows how snapshots come in, keys go out, and when the screen is left; draws nothing itself."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import ClassVar, Protocol

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message

from recorder.control_words import Ask
from recorder.host_clock import HostClock
from recorder.live_snapshot import Snapshot
from recorder.terminal import pages, palette
from recorder.terminal.arrangement import Rect
from recorder.terminal.clap_page import ClapPage, clap_words
from recorder.terminal.errands import Errands, Follower
from recorder.terminal.keys import KEYS
from recorder.terminal.panel import Panel
from recorder.terminal.parts import PARTS, places
from recorder.terminal.scene import Scene
from recorder.terminal.screen_state import ScreenState

WINDOWS_S = (10, 30, 60, 180)
EXTEND_S = 30.0
LEFT_EARLY = 3  # exit status of "interrupted but safe"
_END_SHOWN_S = 8.0


class Choose(Protocol):
    """What the snapshots shall show from now on; only what is given changes."""

    def __call__(self, *, reference: str | None = None, window_s: int | None = None) -> None: ...


class SnapshotCame(Message):
    """A whole snapshot, or why there is none. Only the newest is worth drawing."""

    def __init__(self, found: Snapshot | Exception) -> None:
        super().__init__()
        self.found = found

    def can_replace(self, message: Message) -> bool:
        return isinstance(message, SnapshotCame)


class ErrandFailed(Message):
    def __init__(self, name: str, words: str) -> None:
        super().__init__()
        self.errand, self.words = name, words


class LiveScreen(App[int]):
    """`owner`: leaving ends the recording; a watcher just leaves. All callables run in threads and may be slow."""

    CSS = "Screen { overflow: hidden; }"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT = False  # or ctrl+c would copy instead of asking
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(key.key, key.action, key.label, show=False) for key in KEYS),
        Binding("question_mark", "help", show=False),
        Binding("q,ctrl+c", "leave", show=False),
    ]

    def __init__(
        self,
        next_snapshot: Callable[[], Snapshot],
        ask: Callable[[Ask], bool | None],
        owner: bool,
        choose: Choose,
        *,
        clock: HostClock,
        refresh_s: float = 0.5,
        clap_s: float = 4.0,
    ) -> None:
        super().__init__()
        self._ask = ask
        self._owner = owner
        self._choose = choose
        self._clock = clock
        self._clap_s = clap_s
        self._follower = Follower(next_snapshot, lambda found: self._tell(SnapshotCame(found)), refresh_s)
        self._errands = Errands(lambda name, words: self._tell(ErrandFailed(name, words)))
        self._state = ScreenState(owner, 0.0)
        self._rects: dict[str, Rect] = {}
        self._far = False
        self._finishing = False

    def compose(self) -> ComposeResult:
        for name, draw in PARTS.items():
            yield Panel(draw, id=name)

    def on_mount(self) -> None:
        self.register_theme(palette.DARK)
        self.register_theme(palette.LIGHT)
        self.theme = palette.DARK.name
        self._state = ScreenState(self._owner, self._now_s())
        self._follower.start()
        self._errands.start()
        # Shows in words when nothing comes any more; snapshots themselves redraw at once.
        self.set_interval(1.0, self._redraw)
        self._redraw()

    def on_unmount(self) -> None:
        self._follower.stop()
        self._errands.stop()

    def on_resize(self) -> None:
        # Textual takes the new size over only after this handler.
        self.call_later(self._redraw)

    def on_snapshot_came(self, message: SnapshotCame) -> None:
        if isinstance(message.found, Exception):
            self._state.missed(message.found)
        else:
            self._take(message.found)
        self._redraw()
        if self._state.snapshot.ended and not isinstance(self.screen, pages.EndPage):
            self.push_screen(pages.EndPage(self._scene()), lambda answer: self.exit(0))
            self.set_timer(_END_SHOWN_S, lambda: self.exit(0))

    def on_errand_failed(self, message: ErrandFailed) -> None:
        if message.errand == "finish":
            self._finishing = False
        self._notice(f"{message.errand} failed: {message.words}")

    def action_mark(self) -> None:
        self._send(Ask("mark"), "mark asked for")

    def action_clap(self) -> None:
        utc_ns = self._clock.utc_ns()  # before all else, for it says when the key was pressed
        self._send(Ask("clap", text=clap_words(utc_ns)), "clap asked for")
        self.push_screen(ClapPage(utc_ns, self._clap_s))

    def action_next_step(self) -> None:
        self._send(Ask("next"), "next step asked for")

    def action_skip(self) -> None:
        self._send(Ask("skip"), "skipping asked for")

    def action_extend(self) -> None:
        self._send(Ask("extend", seconds=EXTEND_S), f"{EXTEND_S:.0f} s more asked for")

    def action_repeat(self) -> None:
        self._send(Ask("repeat"), "repeat asked for")

    def action_reference(self) -> None:
        names = [meter.name for meter in self._scene().meters]
        if names:
            present = self._state.snapshot.reference
            name = names[(names.index(present) + 1) % len(names)] if present in names else names[0]
            self._errands.put("reference", lambda: self._choose(reference=name))
            self._notice(f"against {name} from now on")

    def action_resist(self) -> None:
        question = self._state.snapshot.question
        if len(self.screen_stack) > 1:
            self._notice("y answers only what can be read: close this page first")
        elif question:
            self._send(Ask("resist", text=question), "yes to the trainer's load")
        else:
            self._notice("nothing is asked that y would answer")

    def action_release(self) -> None:
        self._send(Ask("release"), "load off asked for")

    def action_window(self) -> None:
        present = self._state.snapshot.window_s
        window_s = next((each for each in WINDOWS_S if each > present), WINDOWS_S[0])
        self._errands.put("window", lambda: self._choose(window_s=window_s))
        self._notice(f"the last {window_s} s from now on")

    def action_far(self) -> None:
        self._far = not self._far
        self._redraw()

    def action_light(self) -> None:
        dark = self.theme == palette.DARK.name
        self.theme = palette.LIGHT.name if dark else palette.DARK.name

    def action_help(self) -> None:
        self.push_screen(pages.help_page(self._scene()))

    def action_table(self) -> None:
        self.push_screen(pages.table_page(self._scene()))

    def action_zero(self) -> None:
        self.push_screen(pages.ZeroPage(self._scene(), self._ask_zero))

    def action_leave(self) -> None:
        if not self._owner:
            self._question(("Leave this screen?", "The recording goes on."), "leave", "stay", lambda: self.exit(0))
        elif self._finishing:
            words = ("The recording is being saved.", "Leave without waiting? Saving goes on.")
            self._question(words, "leave", "wait", self.leave_early)
        else:
            words = ("End the recording?", "It is saved in any case.")
            self._question(words, "end and save", "keep riding", self._finish)

    async def action_quit(self) -> None:
        """Textual's own way out must ask as well."""
        self.action_leave()

    def leave_early(self) -> None:
        """Goes at once; the recorder ends or goes on by its own rules."""
        self.exit(LEFT_EARLY)

    def _take(self, snapshot: Snapshot) -> None:
        try:
            if self._state.took(snapshot, self._now_s()):
                self.bell()
        except Exception as fault:  # noqa: BLE001 - a snapshot with faults must not end the screen
            self._state.missed(fault)

    def _finish(self) -> None:
        self._finishing = True
        self._send(Ask("finish"), "ending and saving")

    def _ask_zero(self, sensor: str | None) -> None:
        self._send(Ask("zero", sensor=sensor), f"zero offset asked of {sensor or 'all'}")

    def _send(self, ask: Ask, notice: str) -> None:
        if self._state.snapshot.ended:
            return  # the last page is left by any key
        self._errands.put(ask.do, lambda: self._ask(ask))
        self._notice(notice)

    def _notice(self, words: str) -> None:
        self._state.notice(words, self._now_s())
        self._redraw()

    def _question(self, asked: tuple[str, ...], yes: str, no: str, then: Callable[[], None]) -> None:
        page = pages.question(self._scene(), asked, yes, no)
        self.push_screen(page, lambda answer: then() if answer == "yes" else None)

    def _scene(self) -> Scene:
        return self._state.scene(self._now_s())

    def _redraw(self) -> None:
        scene = self._scene()
        width, height = self.size
        try:
            self._rects = places(scene, width, height, far=self._far)
        except Exception as fault:  # noqa: BLE001 - whatever a snapshot holds, the screen stays and says so
            self._state.notice(f"the screen cannot be laid out anew: {type(fault).__name__}: {fault}", self._now_s())
            self._rects = self._rects or {"messages": Rect(0, 0, width, height)}
            scene = self._scene()
        for panel in self.screen_stack[0].query(Panel):
            panel.place(self._rects.get(panel.id or ""))
            panel.show(scene)
        if isinstance(self.screen, pages.Page):
            self.screen.show(scene)

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    def _tell(self, message: Message) -> None:
        self.post_message(message)
