"""Knows every key once: what it is called at the foot of the screen, what it does, and what the help page says."""

from __future__ import annotations

from dataclasses import dataclass

from textual.content import Content

from recorder.terminal.lines import Part, line


@dataclass(frozen=True)
class Key:
    key: str
    action: str
    label: str
    help: str


KEYS = (
    Key("m", "mark", "mark", "Puts a mark into the recording at this moment."),
    Key("c", "clap", "clap", "As m, and shows the UTC of the press full-screen, to line up a camera."),
    Key("n", "next_step", "next step", "Ends the present step now and goes on; what was ridden counts."),
    Key("k", "skip", "skip", "Leaves the present step out; it is recorded as skipped."),
    Key("e", "extend", "+30 s", "Makes the present step 30 s longer."),
    Key("r", "repeat", "repeat", "Rides the present step once more after this."),
    Key("f", "reference", "reference", "Holds the others against the next meter instead."),
    Key("w", "window", "window", "Changes how many seconds the running difference looks back."),
    Key("z", "zero", "zero offset", "Asks meters to take their zero offset, and shows what they answer."),
    Key("y", "resist", "yes, load", "Lets the trainer take the load that the screen asks about."),
    Key("x", "release", "load off", "Takes the trainer's load off at once."),
    Key("b", "far", "big", "Very large figures, readable from two metres; b again goes back."),
    Key("t", "table", "table", "All segments of the ride so far."),
    Key("l", "light", "light/dark", "Changes between dark and light ground."),
    Key("h", "help", "help", "This page."),
)
END = Key("q", "leave", "end", "Asks whether to end the recording; it is always saved.")
LEAVE = Key("q", "leave", "leave", "Asks whether to leave this screen; the recording goes on.")


def keys_for(owner: bool) -> tuple[Key, ...]:
    return (*KEYS, END if owner else LEAVE)


def key_lines(owner: bool, width: int) -> list[Content]:
    """All keys in as few lines as hold them; each can be clicked or tapped, for tablets have no keys."""
    lines: list[Content] = []
    parts: list[Part] = []
    used = 0
    for key in keys_for(owner):
        cells = len(key.label) + 5
        if parts and used + cells > width:
            lines.append(line(*parts))
            parts, used = [], 0
        click = f"@click=app.{key.action}"
        parts += [(f" {key.key} ", f"bold reverse {click}"), (f" {key.label} ", click)]
        used += cells
    return [*lines, line(*parts)]
