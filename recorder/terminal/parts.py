"""Knows which function draws which part of the screen, and how many rows each part would like."""

from __future__ import annotations

from textual.content import Content

from recorder.terminal.arrangement import Needs, Rect, arrange, is_wide, side_width
from recorder.terminal.far_panel import draw_far
from recorder.terminal.keys import key_lines
from recorder.terminal.meter_panel import draw_meters
from recorder.terminal.panel import Draw
from recorder.terminal.plan_panel import draw_plan, plan_rows
from recorder.terminal.scene import Scene
from recorder.terminal.segment_panel import draw_segments, segment_rows_full
from recorder.terminal.status_panel import draw_header, draw_messages, header_rows, message_rows_full


def _draw_keys(scene: Scene, width: int, height: int) -> list[Content]:
    return key_lines(scene.owner, width)


PARTS: dict[str, Draw] = {
    "header": draw_header,
    "meters": draw_meters,
    "plan": draw_plan,
    "segments": draw_segments,
    "messages": draw_messages,
    "keys": _draw_keys,
    "far": draw_far,
}


def places(scene: Scene, width: int, height: int, *, far: bool) -> dict[str, Rect]:
    """Where each part goes; parts that are absent are hidden."""
    if far:
        return {"far": Rect(0, 0, width, height)}
    side = side_width(width) if is_wide(width) else width
    plan_least, plan_full = plan_rows(scene, side)
    needs = Needs(
        header=header_rows(scene),
        keys=len(key_lines(scene.owner, width)),
        meters=max(1, len(scene.meters)),
        sensors=1 if scene.sensors else 0,
        plan_least=plan_least,
        plan_full=plan_full,
        segments_full=segment_rows_full(scene),
        messages_full=message_rows_full(scene, side),
    )
    return arrange(width, height, needs)
