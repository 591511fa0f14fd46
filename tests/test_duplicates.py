"""Copies are told from repeats by their distance in time; the streams come from FAULTS 2.1, measured on a leak."""

from hypothesis import given
from hypothesis import strategies as st

from recorder.duplicates import WINDOW_NS, DuplicateFilter

MS = 1_000_000


def kept(stream: list[tuple[int, str, bytes]]) -> list[tuple[int, str, bytes]]:
    copies = DuplicateFilter()
    return [(ns, c, p) for ns, c, p in stream if not copies.is_copy(c, p, ns)]


def test_leaked_subscriptions_give_each_notification_once() -> None:
    sent = [(k * 250 * MS, "2a63", bytes([0x20, 0, k, 0])) for k in range(10)]
    got = [(ns + copy * 300_000, c, p) for ns, c, p in sent for copy in range(6)]
    assert kept(got) == sent


def test_a_sensor_at_rest_may_repeat_itself() -> None:
    resting = [(k * 25 * MS, "2a63", b"\x20\0\0\0\1\0\2\0") for k in range(40)]
    assert kept(resting) == resting


def test_other_bytes_or_another_characteristic_are_no_copies() -> None:
    stream = [(0, "2a63", b"\1"), (1, "2a5b", b"\1"), (2, "2a63", b"\2"), (3, "2a63", b"")]
    assert kept(stream) == stream


def test_an_empty_payload_is_a_payload() -> None:
    assert kept([(0, "2a63", b""), (1, "2a63", b"")]) == [(0, "2a63", b"")]


streams = st.lists(
    st.tuples(st.integers(0, 60 * MS), st.sampled_from(["2a63", "2a5b"]), st.sampled_from([b"", b"a", b"b"])),
    max_size=60,
)


@given(streams)
def test_exactly_what_repeats_a_kept_payload_within_the_window_is_dropped(
    steps: list[tuple[int, str, bytes]],
) -> None:
    now_ns, stream = 0, []
    for gap_ns, characteristic, payload in steps:
        now_ns += gap_ns
        stream.append((now_ns, characteristic, payload))
    last_kept: dict[tuple[str, bytes], int] = {}
    expected = []
    for ns, characteristic, payload in stream:
        if ns - last_kept.get((characteristic, payload), -WINDOW_NS) >= WINDOW_NS:
            last_kept[characteristic, payload] = ns
            expected.append((ns, characteristic, payload))
    assert kept(stream) == expected
