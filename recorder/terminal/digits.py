"""Knows large figures made of blocks, in two founts: one of half rows for panels, one of full rows for afar."""

from __future__ import annotations

from dataclasses import dataclass

# Seven rows; a stroke is "#". The outer columns of a glyph are its strokes, the inner ones its body, and both are
# widened separately: so one fount serves narrow columns and whole walls.
_TALL: dict[str, str] = {
    "0": ".##. #..# #..# #..# #..# #..# .##.",
    "1": ".# ## .# .# .# .# .#",
    "2": ".##. #..# ...# ..#. .#.. #... ####",
    "3": ".##. #..# ...# .##. ...# #..# .##.",
    "4": "#..# #..# #..# #### ...# ...# ...#",
    "5": "#### #... ###. ...# ...# #..# .##.",
    "6": ".##. #... #... ###. #..# #..# .##.",
    "7": "#### ...# ...# ..#. ..#. .#.. .#..",
    "8": ".##. #..# #..# .##. #..# #..# .##.",
    "9": ".##. #..# #..# .### ...# ...# .##.",
    "+": "... ... .#. ### .#. ... ...",
    "\u2212": "... ... ... ### ... ... ...",
    "–": "... ... ... ### ... ... ...",
    ".": ". . . . . . #",
    ":": ". . # . # . .",
    "=": ".... .... #### .... #### .... ....",
    "≠": "....# ...#. ##### ..#.. ##### .#... #....",
    " ": ". . . . . . .",
    "?": ".##. #..# ...# ..#. .#.. .... .#..",
    "A": ".##. #..# #..# #### #..# #..# #..#",
    "C": ".### #... #... #... #... #... .###",
    "D": "###. #..# #..# #..# #..# #..# ###.",
    "E": "#### #... #... ###. #... #... ####",
    "F": "#### #... #... ###. #... #... #...",
    "G": ".### #... #... #.## #..# #..# .###",
    "I": "# # # # # # #",
    "N": "#..# ##.# ##.# #.## #.## #..# #..#",
    "R": "###. #..# #..# ###. #.#. #..# #..#",
    "S": ".### #... #... .##. ...# ...# ###.",
    "U": "#..# #..# #..# #..# #..# #..# .##.",
}
_SMALL: dict[str, str] = {
    "0": "### #.# #.# #.# ###",
    "1": ".# ## .# .# .#",
    "2": "### ..# ### #.. ###",
    "3": "### ..# .## ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# .#. .#.",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "–": "... ... ### ... ...",
}
TALL_ROWS = 7


@dataclass(frozen=True)
class Widening:
    """Cells per stroke column, per body column, between glyphs, and rows per row of the fount."""

    stroke: int
    body: int
    gap: int
    rows: int = 1

    @property
    def height(self) -> int:
        return TALL_ROWS * self.rows


# From large to small. A cell is about twice as high as wide, hence strokes of 2 cells for rows of 1.
WIDENINGS = (
    Widening(6, 6, 4, 3),
    Widening(4, 4, 3, 2),
    Widening(4, 3, 2, 2),
    Widening(2, 3, 2),
    Widening(2, 2, 2),
    Widening(2, 1, 1),
    Widening(1, 1, 1),
)


def tall(text: str, widening: Widening) -> list[str]:
    """`text` in rows of full blocks; signs that the fount lacks are left out."""
    rows = ["" for _ in range(TALL_ROWS)]
    for glyph in (_TALL[sign].split() for sign in text if sign in _TALL):
        for number, pattern in enumerate(glyph):
            gap = " " * widening.gap if rows[number] else ""
            rows[number] += gap + _widened(pattern, widening)
    return [row for row in rows for _ in range(widening.rows)]


def tall_width(text: str, widening: Widening) -> int:
    return len(tall(text, widening)[0])


def widest_fitting(texts: list[str], width: int, height: int) -> Widening | None:
    """The largest widening in which every text fits; None where not even the smallest does."""
    for widening in WIDENINGS:
        if widening.height <= height and all(tall_width(text, widening) <= width for text in texts):
            return widening
    return None


def half_rows(text: str, rows: int) -> list[str]:
    """`text` in 4 rows (or 3 of the small fount) of half blocks, each pixel as wide as high."""
    fount = _TALL if rows >= 4 else _SMALL
    glyphs = [fount[sign].split() for sign in text if sign in fount]
    if not glyphs:
        return ["" for _ in range(rows)]
    pixels = [".".join(glyph[y] for glyph in glyphs) for y in range(len(glyphs[0]))]
    if len(pixels) % 2:
        pixels.append("." * len(pixels[0]))
    return ["".join(map(_half, *pair)) for pair in zip(pixels[::2], pixels[1::2], strict=True)]


def _widened(pattern: str, widening: Widening) -> str:
    last = len(pattern) - 1
    # The "1" has one body column before its stroke.
    strokes = {0, last} if last != 1 else {1}
    return "".join(
        ("█" if pixel == "#" else " ") * (widening.stroke if column in strokes else widening.body)
        for column, pixel in enumerate(pattern)
    )


def _half(upper: str, lower: str) -> str:
    return {"##": "█", "#.": "▀", ".#": "▄", "..": " "}[upper + lower]
