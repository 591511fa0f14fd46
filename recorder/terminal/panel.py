"""Knows how one part of the screen is redrawn, and that a fault in drawing it must never end the screen."""

from __future__ import annotations

from collections.abc import Callable

from textual.content import Content
from textual.widget import Widget

from recorder.terminal.arrangement import Rect
from recorder.terminal.lines import line, shown, stack
from recorder.terminal.scene import Scene

Draw = Callable[[Scene, int, int], list[Content]]


class Panel(Widget):
    """A rectangle drawn by a pure function of (scene, width, height)."""

    DEFAULT_CSS = """
    Panel {
        position: absolute; text-wrap: nowrap; text-overflow: clip;
        link-style: none; link-color: $foreground; link-background: $background;
    }
    """

    def __init__(self, draw: Draw, *, id: str) -> None:
        super().__init__(id=id)
        self._draw_part = draw
        self._scene: Scene | None = None
        self._painted = Content("")
        self._rect: Rect | None = None
        self.display = False
        self.faults = 0

    def place(self, rect: Rect | None) -> None:
        if rect == self._rect:
            return
        self._rect = rect
        self.display = rect is not None
        if rect is not None:
            self.styles.offset = (rect.x, rect.y)
            self.styles.width = rect.width
            self.styles.height = rect.height

    def show(self, scene: Scene) -> None:
        """Paints anew only if anything has changed: most parts stay as they are from one snapshot to the next."""
        self._scene = scene
        if self._rect is not None and not self._drawn().is_same(self._painted):
            self.refresh()

    def render(self) -> Content:
        self._painted = self._drawn()
        return self._painted

    def _drawn(self) -> Content:
        width, height = self.size
        if self._scene is None:
            return Content("")
        try:
            return stack(self._draw_part(self._scene, width, height), width, height)
        except Exception as fault:  # noqa: BLE001 - whatever is wrong with one part, the others must stay readable
            self.faults += 1
            words = f"! this part cannot be drawn: {type(fault).__name__}: {fault}"
            return stack([line((shown(words, 200), "bold reverse"))], width, height)
