"""How a recording without a screen is doing, as one JSON message, and what may be asked of it; knows no broker.

Described by `schemas/status.json` and `schemas/command.json`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

import msgspec

from analysis.rows import Row
from analysis.safe_text import safe_text
from recorder.companions import Riding
from recorder.control_words import LONGEST_TEXT, Tell
from recorder.host_battery import Charge
from recorder.live_stream import number, utc_text
from recorder.recording_session import SensorCounts

SCHEMA = 1
LONGEST_COMMAND = 4096
SAID_SHOWN = 3
OFFLINE = json.dumps({"schema": SCHEMA, "state": "offline"}).encode()


class Command(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    do: Literal["mark", "stop"]
    text: Annotated[str, msgspec.Meta(max_length=LONGEST_TEXT)] = ""


_commands = msgspec.json.Decoder(Command)


def command_from(payload: bytes) -> Command | str:
    """The command, or one sentence on what is wrong with it."""
    if len(payload) > LONGEST_COMMAND:
        return f"a command has at most {LONGEST_COMMAND} bytes"
    try:
        command = _commands.decode(payload)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as fault:
        return f"that was no command: {safe_text(str(fault), 120)}"
    return msgspec.structs.replace(command, text=safe_text(command.text, LONGEST_TEXT))


@dataclass
class SensorBatteries:
    """An onlooker: the last word of every sensor on its battery."""

    pct: dict[str, float] = field(default_factory=dict)

    def __call__(self, row: Row, fields: Mapping[str, Any]) -> None:
        if row.sensor is not None and "battery_pct" in fields:
            self.pct[row.sensor] = float(fields["battery_pct"])


def status_message(
    riding: Riding, bench_name: str, batteries: Mapping[str, float], charge: Charge | None, sent_utc_ns: int
) -> dict[str, Any]:
    """The present state; once the recording has ended, its last."""
    tell = riding.control.tell(owned=False)
    now_ns = riding.session.now_ns
    live = set(tell.live)
    return {
        "schema": SCHEMA,
        "state": _state(tell),
        "bench": bench_name,
        "sent_utc": utc_text(sent_utc_ns),
        "recorded_s": round(tell.recorded_s, 1),
        "sensors": [
            {
                "name": safe_text(name),
                "live": name in live,
                "rows": counts.rows,
                "age_s": _age_s(counts, now_ns),
                "gaps": counts.gaps,
                "battery_pct": number(batteries.get(name, float("nan")), 0),
            }
            for name, counts in riding.session.counts.items()
        ],
        "storage": {"well": tell.storage_well, "words": safe_text(tell.storage_words, 200)},
        "host_battery": None if charge is None else {"pct": charge.pct, "falling": charge.falling},
        "step_left_s": number(tell.turn_left_s, 1) if tell.turn is not None else None,
        "said": [{"at_s": at_s, "words": safe_text(words, 200)} for at_s, words in tell.said[-SAID_SHOWN:]],
        "recording": tell.recording,
        "ended": safe_text(tell.ended_words, 200),
    }


def to_json(message: Mapping[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def what_matters(riding: Riding) -> tuple[object, ...]:
    """Whoever is far away wants to hear at once when one of these changes."""
    tell = riding.control.tell(owned=False)
    return _state(tell), tell.live, tell.storage_well, tell.turn, tell.said[-1:]


def _state(tell: Tell) -> Literal["recording", "finishing", "finished", "unfinished"]:
    if tell.ended:
        return "finished" if tell.recording else "unfinished"
    return "finishing" if tell.finishing else "recording"


def _age_s(counts: SensorCounts, now_ns: int) -> float | None:
    return None if counts.last_ns is None else round(max(now_ns - counts.last_ns, 0) / 1e9, 1)
