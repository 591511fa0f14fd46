"""Knows the pages that lie over the screen: the questions before leaving, zero offset, help, table, and the end."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widget import Widget

from recorder.terminal.figures import clock
from recorder.terminal.keys import keys_for
from recorder.terminal.lines import EMPTY, heading, line, paragraph, shown
from recorder.terminal.scene import Scene
from recorder.terminal.segment_panel import draw_segments

Draw = Callable[[Scene, int], list[Content]]
_ZERO_MESSAGES = 3
_NUMBERS = {str(number): str(number) for number in range(1, 10)}

CAUTIONS = (
    "Warm up before a maximal effort, and leave it out whenever it does not feel right: no verdict needs it.",
    "Stop on pain, dizziness or discomfort in the chest. Whoever has doubts asks a doctor first.",
    "Bike and trainer stand fast; cranks and pedals are tightened to what their maker says.",
    "Nobody rides on the road looking at a laptop. Local rules come first.",
)
_ZERO = (
    "Nobody touches the pedals. Feet out of them, bike upright and still, crank vertical with the left arm down, "
    "unless the maker says otherwise. Trainers often want a spin-down of their own instead."
)
_READING = (
    "[ ] is the tolerance, ● the estimate, the line its interval, ┼ no difference at all; arrows go off the scale. "
    "Line inside the brackets: agrees (=). Line wholly outside: differs (≠). Across a bracket: undecided (?). "
    "What the chain explains is taken off before. The interval holds however long one watches it."
)


class _Sheet(Widget):
    """The text of a page, as long as it needs to be."""

    DEFAULT_CSS = """
    _Sheet {
        height: auto; width: 1fr; text-wrap: nowrap;
        link-style: none; link-color: $foreground; link-background: $surface;
    }
    """

    def __init__(self, draw: Draw, scene: Scene) -> None:
        super().__init__()
        self._draw_sheet = draw
        self._scene = scene

    def show(self, scene: Scene) -> None:
        self._scene = scene
        self.refresh(layout=True)

    def render(self) -> Content:
        width = self.size.width or self.app.size.width - 8
        try:
            return Content("\n").join(self._draw_sheet(self._scene, width))
        except Exception as fault:  # noqa: BLE001 - a page that fails must not take the screen with it
            return line(shown(f"this page cannot be drawn: {type(fault).__name__}: {fault}", 200))


class Page(ModalScreen[str | None]):
    """Ends with the answer that belongs to the key pressed; escape gives None."""

    DEFAULT_CSS = """
    Page { align: center middle; background: $background 60%; }
    Page > VerticalScroll {
        width: 96%; max-width: 100; height: auto; max-height: 100%;
        background: $surface; border: heavy $rule; padding: 0 2;
    }
    Page.question > VerticalScroll { max-width: 46; }
    Page.wide > VerticalScroll { max-width: 100%; width: 100%; border: none; padding: 0; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "answer('')", show=False)]

    def __init__(self, draw: Draw, scene: Scene, answers: Mapping[str, str], *, classes: str = "") -> None:
        super().__init__(classes=classes)
        self._sheet = _Sheet(draw, scene)
        for key, answer in answers.items():
            # Not added to what is there, since all pages share that list: one page's keys would act on the others.
            self._bindings.key_to_bindings[key] = [Binding(key, f"answer('{answer}')", show=False)]

    def compose(self) -> ComposeResult:
        with VerticalScroll():
            yield self._sheet

    def show(self, scene: Scene) -> None:
        self._sheet.show(scene)

    def action_answer(self, answer: str) -> None:
        self.dismiss(answer or None)


def question(scene: Scene, asked: Sequence[str], yes: str, no: str) -> Page:
    """Answers "yes" or None. Enter does nothing: a ride is not ended by a stray key."""

    def draw(scene: Scene, width: int) -> list[Content]:
        words = [each for text in asked for each in paragraph(text, width, "bold")]
        return [EMPTY, *words, EMPTY, choice("y", "yes", yes), choice("n", "", no), EMPTY]

    return Page(draw, scene, {"y": "yes", "n": ""}, classes="question")


class ZeroPage(Page):
    """Asks one meter or (None) all; stays open to show what they answer."""

    def __init__(self, scene: Scene, ask_zero: Callable[[str | None], None]) -> None:
        super().__init__(_draw_zero, scene, {"a": "all", "q": "", "z": "", "ctrl+c": ""} | _NUMBERS)
        self._meters = [meter.name for meter in scene.meters]
        self._ask_zero = ask_zero

    def action_answer(self, answer: str) -> None:
        if not answer:
            self.dismiss(None)
        elif answer == "all":
            self._ask_zero(None)
        elif int(answer) <= len(self._meters):
            self._ask_zero(self._meters[int(answer) - 1])


class EndPage(Page):
    """The last page; whatever key is pressed leaves."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(_draw_end, scene, {})

    def on_key(self) -> None:
        self.dismiss(None)


def help_page(scene: Scene) -> Page:
    return Page(_draw_help, scene, {"h": "", "q": "", "question_mark": "", "ctrl+c": ""})


def table_page(scene: Scene) -> Page:
    def draw(scene: Scene, width: int) -> list[Content]:
        return [*draw_segments(scene, width, len(scene.snapshot.segments) + 2), EMPTY, choice("t", "", "back")]

    return Page(draw, scene, {"t": "", "q": "", "ctrl+c": ""}, classes="wide")


def choice(key: str, answer: str, label: str) -> Content:
    click = f"@click=screen.answer('{answer}')"
    return line("  ", (f" {key} ", f"bold reverse {click}"), (f" {label}", click))


def _draw_zero(scene: Scene, width: int) -> list[Content]:
    lines = [heading("zero offset", width), *paragraph(_ZERO, width), EMPTY]
    answers = scene.snapshot.zero_answers
    for number, meter in enumerate(scene.meters[:9], 1):
        lines.append(choice(str(number), str(number), shown(meter.name, 32)))
        if meter.name in answers:
            lines += [
                line("        ", each) for each in paragraph(shown(answers[meter.name], 200), width - 8, "bold")
            ]
    lines += [choice("a", "all", "all of them"), choice("esc", "", "back"), EMPTY]
    # The recorder says here what each place in the drivetrain needs, and who has answered.
    for message in scene.snapshot.messages[-_ZERO_MESSAGES:]:
        lines += paragraph(f"{clock(message.at_s)}  {shown(message.text, 300)}", width)
    return [*lines, *(line((shown(words, 160), "bold")) for words in scene.notices[-1:])]


def _draw_help(scene: Scene, width: int) -> list[Content]:
    lines = [heading("keys", width)]
    for key in keys_for(scene.owner):
        first, *rest = paragraph(key.help, width - 6) or [EMPTY]
        lines += [line("  ", (f" {key.key} ", "bold reverse"), " ", first), *(line("      ", each) for each in rest)]
    lines += [EMPTY, heading("the rail", width), *paragraph(_READING, width), EMPTY, heading("take care", width)]
    for caution in CAUTIONS:
        lines += paragraph(caution, width)
    return [*lines, EMPTY, choice("h", "", "back")]


def _draw_end(scene: Scene, width: int) -> list[Content]:
    snapshot = scene.snapshot
    words = paragraph(shown(snapshot.ended_words, 400), width, "bold") if snapshot.ended_words else []
    where = paragraph(shown(snapshot.recording, 400), width, "bold $strong")
    lines = [heading("the recording has ended", width), EMPTY, *words]
    return [*lines, line(("It is in", "$faint")), *where, EMPTY, choice("any key", "", "leave")]
