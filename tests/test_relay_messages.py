"""The messages between relay and recorder: bounds, strangers, and the JSON Schema that documents them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_relays import RELAY_LENGTH, SESSION_LENGTH
from analysis.errors import BadInput
from recorder import relay_messages as messages
from recorder.relay_gate import AT_ONCE, Flooded, MessageGate
from recorder.relay_messages import Ack, Answer, Ask, Batch, Farewell, Goodbye, Happened, Hello, NotOurs, Topics
from recorder.relay_sender import RelaySender

SCHEMA = Path(messages.__file__).parent / "schemas" / "relay.json"
BOOT, RECORDER = "0123456789abcdef", "0123456789abcdef" * 2
ONE_OF_EACH: dict[str, Any] = {
    "batch": Batch(
        boot=BOOT,
        first=7,
        kept_from=3,
        clock_ns=10**15,
        streams=[("Birch", "2a63", "notification")],
        rows=[(0, 250_000_000, b"\x00\x00\xc8\x00"), Happened(event="link_lost", after_ns=9, sensor="Birch")],
    ),
    "hello": Hello(boot=BOOT, product="1.2", clock="CLOCK_BOOTTIME", next=9, kept_from=3, sensors=["Birch"]),
    "answer": Answer(recorder=RECORDER, boot=BOOT, t1_ns=1, t2_ns=2, t3_ns=3, next=5),
    "gone": Farewell(boot=BOOT, reason="ended"),
    "bye": Goodbye(recorder=RECORDER, boot=BOOT, safe=7),
    "ack": Ack(recorder=RECORDER, boot=BOOT, seen=8, safe=-1, missing=[(9, 9)]),
    "ask": Ask(recorder=RECORDER, t1_ns=1),
}


def schema_of(name: str) -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(SCHEMA.read_text())
    kind = (messages.UP | messages.DOWN)[name].__name__
    return {"$schema": schema["$schema"], "$ref": f"#/$defs/{kind}", "$defs": schema["$defs"]}


def test_the_schema_in_the_package_is_that_of_the_messages() -> None:
    written = json.loads(SCHEMA.read_text())
    assert written == json.loads(json.dumps(messages.json_schema()))
    # The check of a schema against the schema of schemas is that of the library jsonschema.
    jsonschema.Draft202012Validator.check_schema(written)


@pytest.mark.parametrize("name", ONE_OF_EACH)
def test_a_message_is_valid_by_its_schema_and_comes_back_equal(name: str) -> None:
    data = messages.to_bytes(ONE_OF_EACH[name])
    jsonschema.validate(json.loads(data), schema_of(name))
    assert messages.from_bytes(name, data) == ONE_OF_EACH[name]


@pytest.mark.parametrize("name", ONE_OF_EACH)
@pytest.mark.parametrize("change", [{"v": 2}, {"v": None}, {"boot": "../x"}, {"recorder": ""}, {"t1_ns": -1}])
def test_what_the_schema_refuses_is_refused(name: str, change: dict[str, Any]) -> None:
    table = json.loads(messages.to_bytes(ONE_OF_EACH[name]))
    if not change.keys() <= table.keys():
        return
    data = json.dumps({**table, **change}).encode()
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(json.loads(data), schema_of(name))
    with pytest.raises(NotOurs):
        messages.from_bytes(name, data)


@pytest.mark.parametrize(
    "row",
    [
        [0, 1, "AAAA" * 200],  # 600 bytes
        [0, 1, "no base64 !"],
        [-1, 1, "AA=="],
        [0, 1 << 60, "AA=="],
        [0, 1],
        {"event": "", "after_ns": 1},
        {"event": "note", "after_ns": 1, "detail": {"text": "x" * 5000}},
        {"event": "note", "after_ns": 1, "detail": {"deep": [[]]}},
        {"event": "note", "after_ns": 1, "detail": {str(n): n for n in range(40)}},
    ],
)
def test_a_row_beyond_the_bounds_is_refused(row: Any) -> None:
    table = json.loads(messages.to_bytes(ONE_OF_EACH["batch"]))
    with pytest.raises(NotOurs):
        messages.from_bytes("batch", json.dumps({**table, "rows": [row]}).encode())


def test_a_message_beyond_its_length_is_not_even_parsed() -> None:
    data = messages.to_bytes(ONE_OF_EACH["ask"])
    with pytest.raises(NotOurs, match="too long"):
        messages.from_bytes("ask", data + b" " * messages.MOST_BYTES)


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A message of ours in which some bytes were replaced, or none: noise alone is never one."""
    data = messages.to_bytes(ONE_OF_EACH[draw(st.sampled_from(list(ONE_OF_EACH)))])
    at = draw(st.integers(0, len(data)))
    return data[:at] + draw(st.binary(max_size=3)) + data[at + draw(st.integers(0, 3)) :]


@given(
    st.binary(max_size=300) | st.text(max_size=100).map(str.encode) | damaged(), st.sampled_from(list(ONE_OF_EACH))
)
def test_any_bytes_are_a_message_or_not_ours(data: bytes, name: str) -> None:
    try:
        message = messages.from_bytes(name, data)
    except NotOurs:
        return
    assert messages.from_bytes(name, messages.to_bytes(message)) == message


texts = st.text(st.characters(codec="utf-8"), min_size=1, max_size=64)
details = st.dictionaries(texts, st.none() | st.booleans() | st.integers() | st.text(max_size=3000) | st.lists(texts))


@given(
    st.lists(
        st.tuples(texts, st.binary(max_size=600)) | st.tuples(texts, details),
        min_size=1,
        max_size=60,
    )
)
def test_whatever_a_sensor_says_goes_into_messages_within_the_bounds(found: list[tuple[str, Any]]) -> None:
    sender = RelaySender(BOOT, batch_bytes=48 * 1024, window=1000)
    sender.answered_by(RECORDER, 0)
    for number, (name, what) in enumerate(found):
        if isinstance(what, bytes):
            sender.payload(number, (name, "2a63", "notification"), what)
        else:
            sender.happened(number, "note", name, what)
    sent = sender.batches(len(found))
    assert sent[-1].last == len(found)
    for part in sent:
        assert len(part.data) <= messages.MOST_BYTES
        batch = messages.from_bytes("batch", part.data)
        assert (batch.first, batch.first + len(batch.rows) - 1) == (part.first, part.last)


@pytest.mark.parametrize("bad", ["", "A", "a/b", "+", "#", "a b", "-a", "a-", "ä", "x" * 25, "\x00"])
def test_a_session_that_makes_no_topic_is_refused_in_a_sentence(bad: str) -> None:
    with pytest.raises(BadInput, match="is no name for a session"):
        Topics(bad, "pocket")


def test_the_longest_topic_is_one_that_every_broker_module_accepts() -> None:
    from recorder.broker_address import checked_topic

    topics = Topics("s" * SESSION_LENGTH, "r" * RELAY_LENGTH)
    for topic in [topics.up(name) for name in messages.UP] + [topics.down(name) for name in messages.DOWN]:
        assert checked_topic(topic) == topic


# -- the gate --------------------------------------------------------------------------------------------------


def gate() -> MessageGate:
    topics = Topics("quayside", "pocket")
    return MessageGate({topics.down(name): name for name in messages.DOWN})


ASK_TOPIC = "wattproof/v1/quayside/pocket/down/ask"


def test_yesterdays_message_is_passed_over_and_counted() -> None:
    border = gate()
    data = messages.to_bytes(ONE_OF_EACH["ask"])
    assert border.take(ASK_TOPIC, data, True, 0) is None
    assert border.take(ASK_TOPIC, data, False, 0) == ONE_OF_EACH["ask"]
    assert border.take("wattproof/v1/quayside/other/down/ask", data, False, 0) is None
    assert border.take(ASK_TOPIC, data.replace(b'"v":1', b'"v":2'), False, 0) is None
    assert (border.retained, border.malformed) == (1, 1)


def test_a_flood_is_refused_and_a_relay_that_catches_up_is_none() -> None:
    border = gate()
    data = messages.to_bytes(ONE_OF_EACH["ask"])
    for number in range(4000):  # 40 in a second
        assert border.take(ASK_TOPIC, data, False, number * 25_000_000) is not None
    for number in range(round(AT_ONCE)):  # 10,000 in a second
        border.take(ASK_TOPIC, b"rubbish", False, 100 * 10**9 + number * 100_000)
    with pytest.raises(Flooded):
        [border.take(ASK_TOPIC, b"rubbish", False, 101 * 10**9) for _ in range(200)]


def test_an_encoder_that_knows_our_types_agrees_on_base64() -> None:
    # RFC 4648, section 10: BASE64("foobar") = "Zm9vYmFy".
    assert msgspec.json.encode(b"foobar") == b'"Zm9vYmFy"'
