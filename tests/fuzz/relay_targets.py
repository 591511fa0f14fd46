"""What relays and recorders send to each other through a broker that anybody may write to."""

from __future__ import annotations

from typing import Any

from analysis.errors import BadInput
from recorder.relay_gate import Flooded, MessageGate
from recorder.relay_intake import RelayIntake
from recorder.relay_messages import DOWN, UP, Ack, Ask, Batch, Farewell, Happened, Hello, Stream, Topics, to_bytes
from recorder.relay_sender import RelaySender
from tests.fuzz.feed import Feed, as_pieces
from tests.fuzz.row_sink import RowSink
from tests.fuzz.targets import Target

S = 1_000_000_000
_BOOT, _RECORDER = "0123456789abcdef", "0123456789abcdef0123456789abcdef"
_NAMES = (*UP, *DOWN)


def relay_messages(data: bytes) -> None:
    """Messages of a relay to a recorder and of a recorder to a relay, each with the seconds since the last one."""
    sink = RowSink()
    intake = RelayIntake("attic", {"Alder", "Birch"}, _RECORDER, sink, 0, lambda ns: f"{ns // S} s")
    sender = RelaySender(boot=_BOOT)
    sender.payload(S, ("Alder", "2a63", "notification"), b"\x00\x00\xc8\x00")
    gate = MessageGate({name: name for name in _NAMES})
    now_ns = 0
    for piece in Feed(data).pieces(60):
        feed = Feed(piece)
        name = _NAMES[feed.number() % len(_NAMES)]
        now_ns += feed.number() * S
        try:
            message = gate.take(name, feed.rest(), False, now_ns)
        except Flooded:
            continue
        if isinstance(message, Ack):
            sender.acknowledged(message, now_ns)
        elif isinstance(message, Ask):
            sender.answered_by(message.recorder, now_ns)
        elif message is not None:
            intake.take(message, now_ns)
        intake.look(now_ns)
        ack = intake.ack()
        if ack is not None:
            to_bytes(ack)
        to_bytes(intake.ask(now_ns))
        for batch in sender.batches(now_ns):
            batch.data.decode()


def _message(name: str, seconds: int, body: bytes) -> bytes:
    return bytes([_NAMES.index(name), seconds]) + body


def _conversation() -> bytes:
    stream: Stream = ("Alder", "2a63", "notification")
    rows: list[Any] = [(0, 1000 * k, b"\x00\x00\xc8\x00") for k in range(4)]
    rows.append(Happened(event="host_stood_still", after_ns=5000, detail={"still_s": 1.0}))
    batch = Batch(boot=_BOOT, first=0, kept_from=0, clock_ns=5 * S, streams=[stream], rows=rows)
    hello = Hello(boot=_BOOT, product="0.1", clock="fake", next=5, kept_from=0, sensors=["Alder"])
    answer = b'{"v":1,"recorder":"%s","boot":"%s","t1_ns":0,"t2_ns":7,"t3_ns":8,"next":5}' % (
        _RECORDER.encode(),
        _BOOT.encode(),
    )
    return as_pieces(
        _message("hello", 0, to_bytes(hello)),
        _message("answer", 1, answer),
        _message("batch", 1, to_bytes(batch)),
        _message("ack", 1, to_bytes(Ack(recorder=_RECORDER, boot=_BOOT, seen=0, safe=0))),
        _message("gone", 2, to_bytes(Farewell(boot=_BOOT, reason="ended"))),
    )


def topics(data: bytes) -> None:
    name = data.decode("utf-8", "surrogateescape")
    try:
        Topics(name, name).up("batch").encode("ascii")
    except BadInput as fault:
        if "\n" in str(fault):
            raise AssertionError(f"no sentence: {fault!s}") from fault


TARGETS = (
    Target("relay-messages", relay_messages, lambda: [_conversation()], 2.0),
    Target("relay-topics", topics, lambda: [b"attic"], 0.1),
)
