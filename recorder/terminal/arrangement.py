"""Knows which panel gets which cells of a terminal of any size; knows nothing of what is drawn there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BlockSize = Literal["row", "small", "medium", "large"]

BLOCK_ROWS: dict[BlockSize, int] = {"row": 1, "small": 3, "medium": 4, "large": 7}
_BLOCK_FROM_WIDTH: dict[BlockSize, int] = {"small": 76, "medium": 76, "large": 112}
_SIDE_FROM_WIDTH = 116
_LEAST_MESSAGES = 2
# Rows that a large block must leave over for the segments below.
_ROWS_BELOW_LARGE = 5


@dataclass(frozen=True)
class Rect:
    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Needs:
    """Rows that each part cannot do without or could fill. `meters`: blocks; `sensors`: lines below them."""

    header: int
    keys: int
    meters: int
    sensors: int
    plan_least: int
    plan_full: int
    segments_full: int
    messages_full: int


def block_size(meters: int, width: int, rows: int) -> BlockSize:
    """The largest block in which all meters find room; rows where none does."""
    for size, least_width in reversed(_BLOCK_FROM_WIDTH.items()):
        if width >= least_width and meters * BLOCK_ROWS[size] <= rows:
            return size
    return "row"


def block_gap(size: BlockSize, meters: int, rows: int) -> int:
    """A blank line between blocks where there are rows for it."""
    return 1 if size != "row" and meters * (BLOCK_ROWS[size] + 1) <= rows else 0


def is_wide(width: int) -> bool:
    return width >= _SIDE_FROM_WIDTH


def side_width(width: int) -> int:
    return min(52, max(38, width // 4))


def arrange(width: int, height: int, needs: Needs) -> dict[str, Rect]:
    """Rectangles by panel name: header, meters, plan, segments, messages, keys; a panel without room is absent."""
    body = max(0, height - needs.header - needs.keys)
    top, bottom = needs.header, needs.header + body
    rects = {
        "header": Rect(0, 0, width, needs.header),
        "keys": Rect(0, bottom, width, needs.keys),
    }
    rects |= _wide(width, top, body, needs) if is_wide(width) else _narrow(width, top, body, needs)
    return {name: rect for name, rect in rects.items() if rect.height > 0 and rect.width > 0}


def _narrow(width: int, top: int, body: int, needs: Needs) -> dict[str, Rect]:
    # In a window too small for all, the meters stay longest, and the plan before the messages.
    plan = max(0, min(needs.plan_least, body - needs.meters - needs.sensors - 1))
    messages = _LEAST_MESSAGES if body >= needs.meters + needs.sensors + 1 + plan + _LEAST_MESSAGES else 0
    meters = _meter_rows(needs, width, body - plan - messages)
    sizes = {"meters": meters, "plan": plan, "segments": 0, "messages": messages}
    spare = body - sum(sizes.values())
    # A table of less than caption, names and one row says nothing.
    if spare >= 3:
        spare = _grow(sizes, "segments", min(needs.segments_full, max(3, spare // 2)), spare)
    spare = _grow(sizes, "messages", min(needs.messages_full, _LEAST_MESSAGES + 2), spare)
    # A list of one or two steps says no more than the lines above it.
    if spare >= 4:
        spare = _grow(sizes, "plan", needs.plan_full, spare)
    spare = _grow(sizes, "segments", needs.segments_full if sizes["segments"] else 0, spare)
    sizes["messages"] += spare
    return _stacked(sizes, 0, top, width)


def _wide(width: int, top: int, body: int, needs: Needs) -> dict[str, Rect]:
    side = side_width(width)
    left = width - side - 2
    meters = _meter_rows(needs, left, body - _ROWS_BELOW_LARGE)
    messages = min(max(_LEAST_MESSAGES + 1, body - needs.plan_full), needs.messages_full, body // 2)
    messages = min(messages, max(0, body - needs.plan_least))
    rects = _stacked({"meters": meters, "segments": body - meters}, 0, top, left)
    return rects | _stacked({"plan": body - messages, "messages": messages}, left + 2, top, side)


def _meter_rows(needs: Needs, width: int, room: int) -> int:
    free = room - needs.sensors
    size = block_size(needs.meters, width, free)
    captions = 1 if size == "row" else 0
    rows = needs.meters * (BLOCK_ROWS[size] + block_gap(size, needs.meters, free)) + captions
    return max(0, min(room, rows + needs.sensors))


def _grow(sizes: dict[str, int], name: str, full: int, spare: int) -> int:
    more = max(0, min(spare, full - sizes[name]))
    sizes[name] += more
    return spare - more


def _stacked(sizes: dict[str, int], x: int, top: int, width: int) -> dict[str, Rect]:
    rects = {}
    for name, rows in sizes.items():
        rects[name] = Rect(x, top, width, max(0, rows))
        top += max(0, rows)
    return rects
