"""What a screen may ask of a running recorder, and what the recorder tells it: one JSON object per line."""

from __future__ import annotations

from typing import Literal

import msgspec

from analysis.safe_text import safe_text

MAX_LINE_BYTES = 64 * 1024  # of an ask; what the recorder tells holds bench and plan, and may be longer
MAX_TOLD_BYTES = 1024 * 1024
LONGEST_TEXT = 200


class Ask(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`do`: mark (text), clap (text; a mark that begins no segment), next, skip, extend (seconds), repeat, zero
    (sensor, or all where None), finish, reference (sensor), own (this is the screen that started the recording),
    token (text; first on a TCP port), resist (text: the question that is answered with yes), release (a trainer's
    load)."""

    do: Literal[
        "mark",
        "clap",
        "next",
        "skip",
        "extend",
        "repeat",
        "zero",
        "reference",
        "resist",
        "release",
        "finish",
        "own",
        "token",
    ]
    text: str = ""
    seconds: float = 0.0
    sensor: str | None = None


class Tell(msgspec.Struct, frozen=True, tag="tell"):
    """The recorder's state, sent when it changes and at least each second; `journals` are the files to follow.

    `plan` is as `Plan.as_dict`; `turn`, `skipped` and `repeated` count its `turns()` from 0. A turn that is ridden
    again keeps its number, and stands in `repeated` once for each time. `said`: at which second what was said.
    """

    recorded_s: float
    journals: tuple[str, ...]
    bench: dict[str, object]
    plan: dict[str, object] | None
    turn: int | None  # None between turns and before the plan begins
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
    plan_begun: bool = False
    coming: int | None = None  # the turn after the present one
    reference: str | None = None  # as chosen while riding; None: as the bench file has it
    owned: bool = False  # the screen that started the recording is there, and only it ends the recording
    pid: int = 0
    question: str = ""  # what a person is asked to allow by a key, empty where nothing waits for one
    ended: bool = False
    ended_words: str = ""


class Answer(msgspec.Struct, frozen=True, tag="answer"):
    """What came of an ask, to whoever asked."""

    words: str


_asks = msgspec.json.Decoder(Ask)
_told = msgspec.json.Decoder(Tell | Answer)


def to_line(message: Ask | Tell | Answer) -> bytes:
    return msgspec.json.encode(message) + b"\n"


def ask_from_line(line: bytes) -> Ask | str:
    """The ask, or one sentence on what is wrong with the line."""
    try:
        ask = _asks.decode(line)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as fault:
        return f"that was no request: {safe_text(str(fault), 120)}"
    if len(ask.text) > LONGEST_TEXT:
        return f"a text has at most {LONGEST_TEXT} characters"
    return ask


def told_from_line(line: bytes) -> Tell | Answer | None:
    """None for a line that this version does not know."""
    try:
        told: Tell | Answer = _told.decode(line)
    except (msgspec.MsgspecError, UnicodeError, RecursionError):
        return None
    return told
