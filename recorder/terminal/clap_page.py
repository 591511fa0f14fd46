"""Knows how the instant of a clap is shown over the whole screen, for a camera that films it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from textual.app import ComposeResult
from textual.content import Content
from textual.events import Click, Key
from textual.screen import ModalScreen
from textual.widget import Widget

from recorder.terminal.digits import tall, tall_width, widest_fitting
from recorder.terminal.lines import EMPTY, centred, line, stack

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_ROWS_OF_WORDS = 6  # caption, date and the hint, each with a blank line
_BESIDE = " UTC"


class ClapPage(ModalScreen[None]):
    """Leaves by itself after `shown_s`, before that by any key or a tap."""

    def __init__(self, utc_ns: int, shown_s: float) -> None:
        super().__init__()
        self._utc_ns = utc_ns
        self._shown_s = shown_s

    def compose(self) -> ComposeResult:
        yield _Face(self._utc_ns)

    def on_mount(self) -> None:
        # Comes again and again, since a question may lie over this page when its time is up.
        self.set_interval(self._shown_s, self._leave)

    def on_key(self, event: Key) -> None:
        event.stop()
        self._leave()

    def on_click(self, event: Click) -> None:
        event.stop()
        self._leave()

    def _leave(self) -> None:
        # Textual's own `is_current` also holds for a page that shines through from below.
        if self.app.screen is self:
            self.dismiss(None)


class _Face(Widget):
    DEFAULT_CSS = "_Face { width: 100%; height: 100%; text-wrap: nowrap; background: $background; }"

    def __init__(self, utc_ns: int) -> None:
        super().__init__()
        self._utc_ns = utc_ns

    def render(self) -> Content:
        width, height = self.size
        return stack(draw_clap(self._utc_ns, width, height), width, height)


def clap_words(utc_ns: int) -> str:
    """What the mark says: ISO 8601 with the milliseconds that are on the screen."""
    return f"clap at {_instant(utc_ns).strftime('%Y-%m-%d')}T{_time(utc_ns)}Z"


def draw_clap(utc_ns: int, width: int, height: int) -> list[Content]:
    """The time in the largest figures that leave room for its words; a line of text where none do."""
    time = _time(utc_ns)
    words = [line(("clap", "bold $strong")), line((f"{_instant(utc_ns):%Y-%m-%d}", "bold $strong"))]
    widening = widest_fitting([time], width - len(_BESIDE), height - _ROWS_OF_WORDS)
    if widening is None:
        small = [words[0], line((time + _BESIDE, "bold $strong")), words[1]]
        return [centred(each, width) for each in small]
    cells = tall_width(time, widening)
    rows = tall(time, widening)
    ends = [" " * len(_BESIDE)] * (len(rows) - 1) + [_BESIDE]
    figures = [line((row.ljust(cells) + end, "bold $strong")) for row, end in zip(rows, ends, strict=True)]
    lines = [words[0], EMPTY, *figures, EMPTY, words[1], EMPTY, line(("any key leaves", "$faint"))]
    above = (height - len(lines)) // 2
    return [*[EMPTY] * above, *(centred(each, width) for each in lines)]


def _instant(utc_ns: int) -> datetime:
    # Whole numbers throughout: a float of seconds since 1970 is too coarse to cut at the millisecond.
    return _EPOCH + timedelta(microseconds=utc_ns // 1000)


def _time(utc_ns: int) -> str:
    return _instant(utc_ns).time().isoformat(timespec="milliseconds")
