"""Knows how the state of the recording is said: the first line, alarms below it, and messages in words."""

from __future__ import annotations

from textual.content import Content

from recorder.live_snapshot import Health, Message
from recorder.terminal.figures import clock, span
from recorder.terminal.lines import Part, fit, heading, line, paragraph, shown, spread
from recorder.terminal.scene import Scene

_ALARM = "bold $on-alarm on $alarm"
_WEIGHT_MARKS: dict[Health, tuple[str, str]] = {
    "well": ("  ", ""),
    "watch": ("▸ ", "bold"),
    "bad": ("! ", "bold reverse"),
}


def header_rows(scene: Scene) -> int:
    return 1 + len(alarms(scene))


def draw_header(scene: Scene, width: int, height: int) -> list[Content]:
    lines = [_first_line(scene, width)]
    return [*lines, *(fit(line((f" ! {text} ", _ALARM)), width) for text in alarms(scene))][:height]


def _first_line(scene: Scene, width: int) -> Content:
    """As much as there is room for: the window and the words of health go first, the reference next."""
    snapshot = scene.snapshot
    state = "ended" if snapshot.ended else "finishing" if snapshot.finishing else "recording"
    against = f"  against {shown(snapshot.reference, 20)}" if snapshot.reference else "  no reference"
    start = line(
        (f" {shown(snapshot.bench, 24)} ", "bold reverse"), f" {state} ", (clock(snapshot.recorded_s), "bold $strong")
    )
    words = line(
        *_health("disk", snapshot.disk, snapshot.disk_words), *_health("clock", snapshot.clock, snapshot.clock_words)
    )
    short = line(*_health("disk", snapshot.disk, ""), *_health("clock", snapshot.clock, ""))
    window = f", last {span(snapshot.window_s)}"
    for left, right in (
        (line(start, (against + window, "$faint")), words),
        (line(start, (against + window, "$faint")), short),
        (line(start, (against, "$faint")), short),
    ):
        if left.cell_length + right.cell_length <= width:
            return spread(left, right, width)
    return spread(start, short, width)


def message_rows_full(scene: Scene, width: int) -> int:
    return 1 + max(1, sum(len(_message(m, width)) for m in scene.snapshot.messages[-8:]))


def draw_messages(scene: Scene, width: int, height: int) -> list[Content]:
    """What keys just did first, then what the recorder said, newest at the foot."""
    notices = [line(("▸ ", "bold"), (shown(text, 160), "bold")) for text in scene.notices[-2:]]
    captions = [heading("said", width)] if height >= 4 else []
    room = height - len(captions) - len(notices)
    said: list[Content] = []
    for message in reversed(scene.snapshot.messages[-50:]):
        lines = _message(message, width)
        if len(said) + len(lines) > max(0, room):
            break
        said = lines + said
    if not said and not notices:
        newest = scene.snapshot.messages[-1:]
        said = [fit(_message(m, 400)[0], width) for m in newest] or [line(("nothing to say", "$faint"))]
    return [*captions, *said, *notices][:height]


def _health(name: str, health: Health, words: str) -> list[Part]:
    text = shown(words, 28) if words else {"well": "well", "watch": "watch", "bad": "BAD"}[health]
    return [(f" {name} ", "$faint"), (f"{text} ", "" if health == "well" else "bold reverse")]


def alarms(scene: Scene) -> list[str]:
    snapshot = scene.snapshot
    found = [shown(trouble, 200) for trouble in scene.troubles[:3]]
    if snapshot.disk == "bad":
        found.append(f"disk: {shown(snapshot.disk_words, 160)}")
    if snapshot.clock == "bad":
        found.append(f"clock: {shown(snapshot.clock_words, 160)}")
    return found


def _message(message: Message, width: int) -> list[Content]:
    mark, style = _WEIGHT_MARKS[message.weight]
    text = f"{clock(message.at_s):>7} {mark}{shown(message.text, 240)}"
    first, *rest = paragraph(text, width, style, 4) or [line("")]
    return [first, *(line("          ", each) for each in rest)]
