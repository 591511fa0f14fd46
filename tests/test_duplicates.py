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


def test_packets_held_up_by_the_radio_may_repeat_each_other_and_copies_after_them_may_not() -> None:
    """At rest every packet has the same bytes; eight of them come together after two seconds."""
    steady = [(k * 250 * MS, "2a63", b"rest") for k in range(8)]
    held = [(3_750 * MS + k * 200_000, "2a63", b"rest") for k in range(8)]
    after = [(4_000 * MS, "2a63", b"rest"), (4_001 * MS, "2a63", b"rest")]
    assert kept(steady + held + after) == steady + held + after[:1]


def test_a_new_link_owes_nothing() -> None:
    copies = DuplicateFilter()
    for k in range(8):
        assert not copies.is_copy("2a63", b"rest", k * 250 * MS)
    copies.new_link(59_900 * MS)
    assert not copies.is_copy("2a63", b"rest", 60_000 * MS)
    assert copies.is_copy("2a63", b"rest", 60_001 * MS)


def test_packets_held_up_while_other_links_are_made_are_not_lost_either() -> None:
    """The first seconds of a link, as seen on the fake service: nothing comes, then all that was held."""
    first = [(0, "2a63", b"rest"), (250 * MS, "2a63", b"rest")]
    held = [(2_500 * MS + k * 200_000, "2a63", b"rest") for k in range(9)]
    again = [(3_750 * MS + k * 200_000, "2a63", b"rest") for k in range(5)]
    assert kept(first + held + again) == first + held + again


@given(st.lists(st.sampled_from([b"a", b"b", b""]), max_size=60), st.integers(1, 6), st.integers(21, 620))
def test_a_leak_of_any_size_on_a_steady_stream_changes_nothing(
    payloads: list[bytes], leak: int, every_ms: int
) -> None:
    sent = [(k * every_ms * MS, "2a63", payload) for k, payload in enumerate(payloads)]
    assert kept([(ns + copy * MS, c, p) for ns, c, p in sent for copy in range(leak)]) == sent


@given(st.lists(st.tuples(st.integers(0, 60 * MS), st.sampled_from([b"", b"a", b"b"])), max_size=60))
def test_only_bytes_kept_less_than_the_window_ago_are_ever_dropped(steps: list[tuple[int, bytes]]) -> None:
    copies, now_ns, last_kept = DuplicateFilter(), 0, dict[bytes, int]()
    for gap_ns, payload in steps:
        now_ns += gap_ns
        if copies.is_copy("2a63", payload, now_ns):
            assert now_ns - last_kept[payload] < WINDOW_NS
        else:
            last_kept[payload] = now_ns
