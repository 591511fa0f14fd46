"""Knows how to lay pieces of styled text into lines of an exact width; nothing here is ever read as markup."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from itertools import groupby, zip_longest

from textual.content import Content

from analysis.safe_text import safe_text

Part = str | Content | tuple[str, str]
EMPTY = Content("")


def shown(text: str, limit: int = 32) -> str:
    """Cleaned once more at this last border: a snapshot may come from anywhere."""
    return safe_text(text, limit)


def line(*parts: Part) -> Content:
    return Content.assemble(*parts)


def inked(cells: Iterable[str], styles: Iterable[str]) -> Content:
    """Cells with a style each; neighbours of one style become one piece, which is far cheaper to paint."""
    pairs = groupby(zip(cells, styles, strict=True), key=lambda pair: pair[1])
    return line(*(("".join(cell for cell, _ in run), style) for style, run in pairs))


def fit(content: Content, width: int) -> Content:
    """Exactly `width` cells, cut with an ellipsis or filled with blanks."""
    return content.truncate(width, ellipsis=True, pad=True) if width > 0 else EMPTY


def fit_right(content: Content, width: int) -> Content:
    """As `fit`, but against the right edge: for numbers under each other."""
    missing = width - content.cell_length
    return content.pad_left(missing) if missing > 0 else fit(content, width)


def centred(content: Content, width: int) -> Content:
    missing = width - content.cell_length
    return fit(content.pad_left(missing // 2), width) if missing > 0 else fit(content, width)


def spread(left: Content, right: Content, width: int) -> Content:
    """`right` stays whole at the right edge; `left` gives way."""
    room = width - right.cell_length
    return line(fit(left, room), right) if room > 0 else fit(right, width)


def beside(columns: Sequence[tuple[Sequence[Content], int]], gap: int = 1) -> list[Content]:
    """Columns of (lines, width) side by side, as high as the highest."""
    widths = [width for _, width in columns]
    rows = zip_longest(*(lines for lines, _ in columns), fillvalue=EMPTY)
    return [Content(" " * gap).join(fit(cell, w) for cell, w in zip(row, widths, strict=True)) for row in rows]


def stack(lines: Iterable[Content], width: int, height: int) -> Content:
    """The block that a widget returns: at most `height` lines of exactly `width` cells."""
    return Content("\n").join([fit(each, width) for each in list(lines)[:height]])


def paragraph(text: str, width: int, style: str = "", most: int = 99) -> list[Content]:
    """Wrapped words, cut after `most` lines."""
    wrapped = textwrap.wrap(text, max(8, width))
    return [line((each, style)) for each in wrapped[:most]]


def heading(text: str, width: int) -> Content:
    """A caption with a thin rule to the edge."""
    rest = max(0, width - len(text) - 1)
    return line((text, "$faint"), " ", ("─" * rest, "$rule"))
