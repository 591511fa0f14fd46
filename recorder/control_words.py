"""What a screen may ask of a running recorder, and what the recorder tells it: one JSON object per line."""

from __future__ import annotations

from typing import Literal

import msgspec

MAX_LINE_BYTES = 64 * 1024


class Ask(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`do`: mark (text), next, skip, extend (seconds), repeat, zero (sensor, or all where None), finish."""

    do: Literal["mark", "next", "skip", "extend", "repeat", "zero", "reference", "finish"]
    text: str = ""
    seconds: float = 0.0
    sensor: str | None = None


class Tell(msgspec.Struct, frozen=True):
    """The recorder's state, sent when it changes and at least each second; `journals` are the files to follow."""

    recorded_s: float
    journals: tuple[str, ...]
    bench: dict[str, object]
    plan: dict[str, object] | None
    turn: int | None  # number of the present turn in riding order, from 0; None between turns
    resting: bool
    turn_elapsed_s: float
    turn_left_s: float
    skipped: tuple[int, ...]
    repeated: tuple[int, ...]
    live: tuple[str, ...]
    storage_words: str = ""
    storage_well: bool = True
    said: tuple[tuple[float, str], ...] = ()
    finishing: bool = False
    recording: str | None = None
