"""What a relay and a recorder say to each other, as bounded records and their JSON; knows no broker and no clock.

Topics are `wattproof/v1/SESSION/RELAY/up/...` from the relay and `.../down/...` to it, made of names that a person
chose and never of what a device says. JSON, since batches in msgpack were a quarter shorter and no quicker to read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal, TypeVar

import msgspec
from msgspec import Meta

from analysis.bench_relays import RELAY_LENGTH, SESSION_LENGTH, is_token
from analysis.errors import BadInput
from analysis.safe_text import safe_text

VERSION: Final = 1
MOST_BYTES = 64 * 1024
MOST_PAYLOAD = 512
MOST_ROWS = 4096
MOST_NAMES = 1024
MOST_NUMBER = 1 << 53  # beyond it many readers of JSON lose digits
MOST_DETAIL = 4096  # characters, which JSON may make six times as long
NAME_LENGTH = 64
MOST_MISSING = 16

Version = Literal[1]
Boot = Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]
RecorderId = Annotated[str, Meta(pattern="^[0-9a-f]{32}$")]
Seq = Annotated[int, Meta(ge=0, le=1 << 62)]
Ns = Annotated[int, Meta(ge=0, le=1 << 62)]
AfterNs = Annotated[int, Meta(ge=-(1 << 53), le=1 << 53)]
Name = Annotated[str, Meta(min_length=1, max_length=NAME_LENGTH)]
Characteristic = Annotated[str, Meta(pattern="^[0-9a-f]{4}$")]
Kind = Literal["notification", "indication", "read", "write"]
Payload = Annotated[bytes, Meta(max_length=MOST_PAYLOAD)]
DetailKey = Annotated[str, Meta(max_length=NAME_LENGTH)]
DetailText = Annotated[str, Meta(max_length=2 * MOST_PAYLOAD)]
Detail = bool | int | float | DetailText | None
Stream = tuple[Name, Characteristic, Kind]
# Number of its stream in the batch, nanoseconds of the relay's clock after the batch's, and what the sensor sent.
Received = tuple[Annotated[int, Meta(ge=0, lt=MOST_ROWS)], AfterNs, Payload]


class _Message(msgspec.Struct, frozen=True, kw_only=True):
    """Unknown keys are passed over, so that a later version of the same number may add some."""

    v: Version = VERSION


class Happened(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """An event of `analysis.rows.Event`, `after_ns` as in `Received`."""

    event: Name
    after_ns: AfterNs
    sensor: Name | None = None
    detail: Annotated[dict[DetailKey, Detail], Meta(max_length=32)] = {}


class Batch(_Message, frozen=True, kw_only=True):
    """Rows `first`, `first + 1`, ...; whatever is before `kept_from` and never came will not come any more."""

    boot: Boot
    first: Seq
    kept_from: Seq
    clock_ns: Ns
    streams: Annotated[list[Stream], Meta(max_length=MOST_ROWS)]
    rows: Annotated[list[Received | Happened], Meta(max_length=MOST_ROWS)]


class Hello(_Message, frozen=True, kw_only=True):
    """Said every other second; `next` is the number that the next row will get, `lost` how many fell out unsent.

    `sensors` is what the relay looks for, or empty where there are too many to say.
    """

    boot: Boot
    product: Name
    clock: Name
    next: Seq
    kept_from: Seq
    lost: Seq = 0
    sensors: Annotated[list[Name], Meta(max_length=MOST_NAMES)] = []


class Farewell(_Message, frozen=True, kw_only=True):
    """The relay's own last word, or the broker's in its name. `next` as in `Hello`, where it can be known."""

    boot: Boot
    reason: Literal["ended", "vanished"]
    next: Seq | None = None


class Ack(_Message, frozen=True, kw_only=True):
    """Of one relay's `boot`: all up to `seen` came, all up to `safe` is synced in the journal."""

    recorder: RecorderId
    boot: Boot
    seen: Annotated[int, Meta(ge=-1, le=1 << 62)]
    safe: Annotated[int, Meta(ge=-1, le=1 << 62)]
    missing: Annotated[list[tuple[Seq, Seq]], Meta(max_length=MOST_MISSING)] = []


class Ask(_Message, frozen=True, kw_only=True):
    """Which time is it at the relay? `t1_ns`: the recorder's clock at sending."""

    recorder: RecorderId
    t1_ns: Ns


class Answer(_Message, frozen=True, kw_only=True):
    """`t2_ns`, `t3_ns`: the relay's clock as the question came and as the answer leaves; `next` as in `Hello`."""

    recorder: RecorderId
    boot: Boot
    t1_ns: Ns
    t2_ns: Ns
    t3_ns: Ns
    next: Seq


class Goodbye(_Message, frozen=True, kw_only=True):
    """The recording has ended: nothing more is taken. `boot` and `safe` as in `Ack`, None of a relay never heard."""

    recorder: RecorderId
    boot: Boot | None = None
    safe: Annotated[int, Meta(ge=-1, le=1 << 62)] = -1


UP: dict[str, type[_Message]] = {"batch": Batch, "hello": Hello, "answer": Answer, "gone": Farewell}
DOWN: dict[str, type[_Message]] = {"ack": Ack, "ask": Ask, "bye": Goodbye}
M = TypeVar("M", bound=_Message)

_encoder = msgspec.json.Encoder()
_DECODERS: dict[str, msgspec.json.Decoder[Any]] = {
    name: msgspec.json.Decoder(kind) for name, kind in (UP | DOWN).items()
}


class NotOurs(ValueError):
    """Bytes that are no such message, or of another version."""


@dataclass(frozen=True)
class Topics:
    """The topics of one relay in one session. :raises BadInput: for names that make no topic."""

    session: str
    relay: str

    def __post_init__(self) -> None:
        for what, name, most in (("session", self.session, SESSION_LENGTH), ("relay", self.relay, RELAY_LENGTH)):
            if not is_token(name, most):
                raise BadInput(
                    f"`{safe_text(name)}` is no name for a {what}: use up to {most} of the characters a-z, 0-9 and -"
                )

    def up(self, name: str) -> str:
        return f"wattproof/v1/{self.session}/{self.relay}/up/{name}"

    def down(self, name: str) -> str:
        return f"wattproof/v1/{self.session}/{self.relay}/down/{name}"


def to_bytes(message: _Message) -> bytes:
    return _encoder.encode(message)


def from_bytes(name: str, data: bytes) -> Any:
    """The message that the last part of its topic stands for. :raises NotOurs:"""
    decoder = _DECODERS.get(name)
    if decoder is None or len(data) > MOST_BYTES:
        raise NotOurs("of no known topic, or too long")
    try:
        return decoder.decode(data)
    except (msgspec.MsgspecError, ValueError, RecursionError) as fault:
        raise NotOurs(safe_text(str(fault), 200)) from fault


def detail_of(values: dict[str, Any]) -> dict[str, Detail]:
    """An event's detail within the bounds of a message; what is no plain value becomes its text."""
    found: dict[str, Detail] = {}
    left = MOST_DETAIL
    for key, value in list(values.items())[:32]:
        fits = isinstance(value, bool | float | None) or (isinstance(value, int) and abs(value) < MOST_NUMBER)
        plain = value if fits else str(value)
        if isinstance(plain, str):
            plain = plain[: min(left, 2 * MOST_PAYLOAD)]
            left -= len(plain)
        found[key[:NAME_LENGTH]] = plain
    return found


def json_schema() -> dict[str, Any]:
    """All messages as JSON Schema 2020-12; `recorder/schemas/relay.json` is this, written down."""
    kinds = [*UP.values(), *DOWN.values()]
    names = ", ".join(f"{name}: {kind.__name__}" for name, kind in (UP | DOWN).items())
    refs, components = msgspec.json.schema_components(kinds, ref_template="#/$defs/{name}")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "wattproof relay messages, version 1",
        "description": f"By the last part of the topic: {names}",
        "anyOf": list(refs),
        "$defs": components,
    }
