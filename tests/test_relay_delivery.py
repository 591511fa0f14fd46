"""Sender and receiver on a network that loses, doubles, reorders and breaks: each row comes once, or is told lost."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.relay_messages import MOST_BYTES, Ack, Batch, Hello, Stream, from_bytes
from recorder.relay_receiver import Delivered, RelayedEvent, RelayedPayload, RelayReceiver, RowsLost
from recorder.relay_sender import MOST_BATCHES, ROW_OVERHEAD, SMALLEST_BATCH, Outgoing, RelaySender

S = 10**9
BOOT, OTHER_BOOT = "0" * 16, "1" * 16
RECORDER, NEW_RECORDER = "a" * 32, "b" * 32
BIRCH: Stream = ("Birch", "2a63", "notification")


def hello_of(sender: RelaySender) -> Hello:
    return Hello(
        boot=sender.boot,
        product="1",
        clock="test",
        next=sender.next_seq,
        kept_from=sender.kept_from,
        lost=sender.lost,
    )


def ack_of(receiver: RelayReceiver, safe: int | None = None, recorder: str = RECORDER) -> Ack:
    return Ack(
        recorder=recorder,
        boot=receiver.boot or BOOT,
        seen=receiver.seen,
        safe=receiver.seen if safe is None else safe,
        missing=receiver.missing(),
    )


def batch_of(part: Outgoing) -> Batch:
    batch = from_bytes("batch", part.data)
    assert isinstance(batch, Batch)
    return batch


def started(**settings: Any) -> tuple[RelaySender, RelayReceiver]:
    sender, receiver = RelaySender(BOOT, **settings), RelayReceiver()
    sender.answered_by(RECORDER, 0)
    receiver.greeted(hello_of(sender))
    return sender, receiver


def add(sender: RelaySender, number: int, now_ns: int) -> None:
    """Some of the rows are events: they go the same way."""
    if number % 7 == 3:
        sender.happened(now_ns, "note", "Birch", {"number": number})
    else:
        sender.payload(now_ns, BIRCH, number.to_bytes(4, "little"))


def numbers(found: list[Delivered]) -> list[int]:
    told = []
    for row in found:
        match row:
            case RelayedPayload(payload=payload):
                told.append(int.from_bytes(payload, "little"))
            case RelayedEvent(detail=detail):
                told.append(int(str(detail["number"])))
    return told


@dataclass
class Network:
    """Of what is given to it each piece is lost, comes twice, or comes in any order, as the seed decides."""

    random: random.Random
    loss: float
    doubling: float
    reordering: float
    on_the_way: list[object] = field(default_factory=list)

    def give(self, message: object) -> None:
        if self.random.random() >= self.loss:
            self.on_the_way.append(message)
        if self.random.random() < self.doubling:
            self.on_the_way.append(message)

    def comes(self) -> list[object]:
        """Some of it stays behind, to come later."""
        if self.random.random() < self.reordering:
            self.random.shuffle(self.on_the_way)
        keep = self.random.randrange(len(self.on_the_way) + 1) if self.random.random() < self.reordering else 0
        arrived = self.on_the_way[: len(self.on_the_way) - keep]
        self.on_the_way = self.on_the_way[len(arrived) :]
        return arrived


chances = st.floats(0, 0.6)


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 2**32), chances, chances, chances, st.integers(0, 400), st.lists(st.integers(0, 60), max_size=5)
)
def test_whatever_the_network_does_each_row_comes_once_and_in_order(
    seed: int, loss: float, doubling: float, reordering: float, rows: int, breaks: list[int]
) -> None:
    sender, receiver = started()
    ways = [Network(random.Random(seed + n), loss, doubling, reordering) for n in range(2)]
    rng = random.Random(seed)
    came: list[int] = []
    sent = round_no = 0
    while round_no < 3000 and (sent < rows or sender.kept):
        now_ns = round_no * S // 5
        if round_no in breaks:  # all that was under way is gone
            for way in ways:
                way.on_the_way.clear()
            sender.reconnected(now_ns)
        if round_no > 60 + max(breaks, default=0):
            ways[0].loss = ways[1].loss = min(loss, 0.2)  # at last it gets better
        for _ in range(min(rng.randrange(8), rows - sent)):
            add(sender, sent, now_ns)
            sent += 1
        for part in sender.batches(now_ns):
            assert len(part.data) <= MOST_BYTES
            ways[0].give(part)
        for message in ways[0].comes():
            assert isinstance(message, Outgoing)
            came += numbers(receiver.take(batch_of(message)))
        # Only a part of what came is safe yet: the relay has to keep the rest.
        ways[1].give(ack_of(receiver, safe=rng.randint(sender.kept_from - 1, receiver.seen)))
        for message in ways[1].comes():
            assert isinstance(message, Ack)
            sender.acknowledged(message, now_ns)
        round_no += 1
    assert came == list(range(rows))
    assert (sender.kept, sender.lost, receiver.waiting) == (0, 0, 0)


@settings(max_examples=60, deadline=None)
@given(st.booleans(), st.integers(1, 60), st.integers(20, 200))
def test_what_does_not_fit_into_the_buffer_is_told_lost_and_nothing_else_is(
    tried: bool, keep_rows: int, outage: int
) -> None:
    """`keep_bytes` bounds what is kept; rows come one each second through an outage."""
    keep_bytes = keep_rows * (ROW_OVERHEAD + 4)
    sender = RelaySender(BOOT, keep_bytes=keep_bytes)
    receiver = RelayReceiver()
    sender.answered_by(RECORDER, 0)
    receiver.greeted(hello_of(sender))
    for number in range(outage):
        sender.payload(number * S, BIRCH, number.to_bytes(4, "little"))
        assert sender.kept * (ROW_OVERHEAD + 4) <= keep_bytes
        if tried:  # sent, but into the void
            sender.batches(number * S)
    if not tried:
        sender.reconnected(outage * S)
    found: list[Delivered] = []
    for step in range(100):
        for part in sender.batches((outage + step) * S):
            found += receiver.take(batch_of(part))
        sender.acknowledged(ack_of(receiver), (outage + step) * S)
    came = numbers(found)
    lost = [n - 1 for row in found if isinstance(row, RowsLost) for n in range(row.first, row.last + 1)]
    assert sorted(came + lost) == list(range(outage))
    assert came == list(range(max(0, outage - keep_rows), outage))
    assert sender.lost == len(lost)


def test_rows_that_fall_out_while_they_wait_for_room_are_passed_over() -> None:
    sender, receiver = started(keep_bytes=10 * (ROW_OVERHEAD + 4), window=1)
    for number in range(5):
        sender.payload(number, BIRCH, number.to_bytes(4, "little"))
    (first,) = sender.batches(5)
    for number in range(5, 30):
        sender.payload(number, BIRCH, number.to_bytes(4, "little"))
    assert sender.batches(30) == []
    receiver.take(batch_of(first))
    assert sender.acknowledged(ack_of(receiver), 31)
    (second,) = sender.batches(32)
    assert numbers(receiver.take(batch_of(second))) == list(range(20, 30))


def test_rows_older_than_ten_minutes_go() -> None:
    sender = RelaySender(BOOT)
    for second in range(1000):
        sender.payload(second * S, BIRCH, b"")
    assert (sender.kept, sender.lost) == (601, 399)


def test_only_what_is_safe_is_let_go_of() -> None:
    sender, receiver = started()
    for number in range(10):
        add(sender, number, number)
    (part,) = sender.batches(10)
    receiver.take(batch_of(part))
    assert sender.acknowledged(ack_of(receiver, safe=4), 11)
    assert (sender.seen, sender.kept_from, sender.kept) == (10, 5, 6)
    assert sender.batches(60 * S) == []  # all came: nothing is sent again


def test_a_new_recorder_gets_all_that_is_kept_and_the_old_one_is_heard_no_more() -> None:
    sender, receiver = started()
    for number in range(10):
        add(sender, number, number)
    receiver.take(batch_of(sender.batches(10)[0]))
    sender.acknowledged(ack_of(receiver, safe=6), 11)
    assert sender.answered_by(NEW_RECORDER, 12)
    second = RelayReceiver()
    second.greeted(hello_of(sender))
    assert numbers(second.take(batch_of(sender.batches(13)[0]))) == [6, 7, 8, 9]
    assert not sender.answered_by(RECORDER, 14)
    assert not sender.acknowledged(ack_of(receiver), 15)
    assert sender.kept == 4


def test_a_recorder_that_says_goodbye_is_sent_nothing_more_until_somebody_answers() -> None:
    sender, receiver = started()
    for number in range(10):
        add(sender, number, number)
    receiver.take(batch_of(sender.batches(10)[0]))
    assert not sender.finished_by(NEW_RECORDER, BOOT, 10, 11)
    assert sender.finished_by(RECORDER, BOOT, 8, 11)
    assert (sender.kept, sender.batches(60 * S)) == (2, [])
    assert sender.answered_by(NEW_RECORDER, 61 * S)
    assert not sender.answered_by(RECORDER, 62 * S)
    second = RelayReceiver()
    second.greeted(hello_of(sender))
    assert numbers(second.take(batch_of(sender.batches(63 * S)[0]))) == [8, 9]


@pytest.mark.parametrize(("boot", "safe"), [(OTHER_BOOT, 5), (None, -1), (BOOT, 10**15)])
def test_a_goodbye_that_was_not_the_recorders_costs_no_row(boot: str | None, safe: int) -> None:
    """Whoever can write there may say it in its name; it asks on, and is sent all again."""
    sender, receiver = started()
    for number in range(10):
        add(sender, number, number)
    sender.finished_by(RECORDER, boot, safe, 11)
    assert (sender.kept, sender.batches(12)) == (10, [])
    assert sender.answered_by(RECORDER, 13)
    assert numbers(receiver.take(batch_of(sender.batches(14)[0]))) == list(range(10))


@pytest.mark.parametrize(("seen", "safe"), [(11, 3), (3, 5), (10**15, 10**15)])
def test_an_acknowledgement_that_cannot_be_changes_nothing(seen: int, safe: int) -> None:
    sender, _ = started()
    for number in range(10):
        add(sender, number, number)
    sender.batches(10)
    assert not sender.acknowledged(Ack(recorder=RECORDER, boot=BOOT, seen=seen, safe=safe), 11)
    assert sender.kept == 10


def test_an_acknowledgement_of_another_start_changes_nothing() -> None:
    sender, _ = started()
    add(sender, 0, 0)
    assert not sender.acknowledged(Ack(recorder=RECORDER, boot=OTHER_BOOT, seen=1, safe=1), 1)
    assert sender.kept == 1


def test_a_hole_is_filled_without_sending_all_again() -> None:
    sender, receiver = started(batch_bytes=SMALLEST_BATCH, window=4)
    for number in range(400):
        sender.payload(number, BIRCH, number.to_bytes(4, "little"))
    parts = sender.batches(S)
    for part in (parts[0], *parts[2:]):
        receiver.take(batch_of(part))
    assert receiver.missing() == [(parts[1].first, parts[1].last)]
    sender.acknowledged(ack_of(receiver), 2 * S + 1)
    again = sender.batches(2 * S + 2)
    assert (again[0].first, again[0].last) == (parts[1].first, parts[1].last)
    assert min(part.first for part in again[1:]) > parts[-1].last
    receiver.take(batch_of(again[0]))
    assert receiver.seen == parts[-1].last


def test_batches_shrink_until_a_broker_takes_them_and_grow_again() -> None:
    """A broker with a limit of 3,000 bytes, which throws longer messages away."""
    sender, receiver = started()
    for number in range(2000):
        sender.payload(number, BIRCH, bytes(14))
    now_ns, longest = 0, 0
    while sender.kept and now_ns < 600 * S:
        now_ns += S // 5
        for part in sender.batches(now_ns):
            longest = max(longest, len(part.data))
            if len(part.data) <= 3000:
                receiver.take(batch_of(part))
                sender.acknowledged(ack_of(receiver), now_ns)
    assert sender.kept == 0
    assert longest > 8000


def test_under_way_is_bounded_and_nothing_is_sent_to_nobody() -> None:
    sender = RelaySender(BOOT)
    for number in range(20_000):
        sender.payload(number, BIRCH, bytes(14))
    assert sender.batches(S) == []
    sender.answered_by(RECORDER, S)
    for step in range(1, 10):
        assert len(sender.batches((1 + 3 * step) * S)) <= MOST_BATCHES


def test_a_batch_of_an_earlier_or_an_unknown_start_is_not_taken() -> None:
    sender, receiver = started()
    add(sender, 0, 0)
    old = batch_of(sender.batches(1)[0])
    assert receiver.greeted(Hello(boot=OTHER_BOOT, product="1", clock="c", next=1, kept_from=1))
    assert receiver.take(old) == []
    assert not receiver.greeted(hello_of(sender))  # yesterday's hello does not bring it back
    assert receiver.boot == OTHER_BOOT
    assert receiver.foreign == 2


def test_a_row_of_a_stream_that_the_batch_lacks_spoils_the_batch() -> None:
    _, receiver = started()
    batch = Batch(boot=BOOT, first=1, kept_from=1, clock_ns=0, streams=[], rows=[(0, 0, b"")])
    assert receiver.take(batch) == []
    assert (receiver.seen, receiver.foreign) == (0, 1)
