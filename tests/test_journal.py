"""The journal's bytes: nothing damaged is taken for a record, and nothing sound is given up."""

import io
import json
import random
from typing import Any
from zlib import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.rows import ROW_KINDS, Row
from recorder import journal_frames as frames
from recorder.errors import JournalDamaged
from recorder.journal import JournalEncoder, merge_patch
from recorder.journal_replay import Damage, JournalContents, replay, replay_segments

HEADER = {"schema": 1, "pid": 77, "bench": {"name": "Quayside bench"}, "plan": None}
SEED = 0x5EED1234


def encoder(session_id: str = "ride-1", seed: int = SEED) -> JournalEncoder:
    return JournalEncoder(session_id, HEADER, seed)


def ride_rows(count: int) -> list[Row]:
    sensors = ("Alder", "Birch", "Cedar")
    return [
        Row(n * 250_000_000, "notification", sensors[n % 3], "2a63", bytes([n % 256]) * (8 + n % 7))
        for n in range(count)
    ]


def frames_of_ride(rows: list[Row]) -> list[bytes]:
    """The preamble, each row with what it needs in front, and the end marker."""
    source = encoder()
    return [source.preamble(), *map(source.row, rows), source.end({"rows": len(rows), "reason": "plan"})]


_int64 = st.integers(-(2**63), 2**63 - 1)
_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
_rows = st.builds(
    Row,
    host_ns=_int64 | st.integers(),
    row_kind=st.sampled_from(ROW_KINDS),
    sensor=st.none() | st.text(max_size=12),
    characteristic=st.none() | st.sampled_from(["2a63", "2a5b"]) | st.text(max_size=12),
    payload=st.none() | st.binary(max_size=64) | st.just(frames.MAGIC * 3),
    event=st.none() | st.text(max_size=12),
    detail=st.dictionaries(st.text(max_size=8), _json, max_size=4),
    origin_ns=st.none() | _int64 | st.integers(),
    origin_seq=st.none() | _int64,
)


@given(st.lists(_rows, max_size=12))
def test_any_rows_come_back_as_they_were(rows: list[Row]) -> None:
    contents = replay(b"".join(frames_of_ride(rows)))
    assert contents.rows == tuple(rows)
    assert contents.header == contents.metadata == HEADER
    assert contents.end == {"rows": len(rows), "reason": "plan"}
    assert (contents.damaged, contents.missing, contents.torn_tail_bytes) == ((), (), 0)


def test_memoryviews_and_streams_are_read_like_bytes() -> None:
    data = b"".join(frames_of_ride(ride_rows(5)))
    assert replay(memoryview(data)) == replay(io.BytesIO(data)) == replay(data)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    with pytest.raises(JournalDamaged):
        replay(data)
    contents = replay(encoder().preamble() + data)
    assert contents.rows == ()
    assert contents.torn_tail_bytes == len(data)


@given(
    st.sampled_from(range(1, 8)),
    st.integers(0, 2**64 - 1),
    st.binary(max_size=80) | _json.map(lambda value: json.dumps(value).encode()),
)
def test_sound_frames_with_any_content_do_no_harm(frame_type: int, sequence: int, body: bytes) -> None:
    data = encoder().preamble() + frames.frame_bytes(frame_type, sequence, body, SEED)
    contents = replay(data)
    assert len(contents.rows) <= 1
    replay_segments([data, data])


def test_deeply_nested_json_is_neither_written_nor_read() -> None:
    deep: Any = 1
    for _ in range(frames.MAX_DEPTH + 1):
        deep = [deep]
    with pytest.raises(ValueError, match="nested"):
        encoder().metadata({"deep": deep})
    assert frames.from_json(b"[" * 100_000 + b"]" * 100_000) is None


def test_a_refused_row_takes_no_sequence_number() -> None:
    source = encoder()
    with pytest.raises(TypeError):
        source.row(Row(1, "event", event="note", detail={"text": object()}))
    with pytest.raises(ValueError, match="larger"):
        source.row(Row(1, "imported", payload=bytes(frames.MAX_BODY_BYTES)))
    assert replay(source.preamble() + source.row(Row(2, "event", event="note"))).missing == ()


def test_large_payloads_take_the_long_way() -> None:
    rows = [
        Row(1, "imported", "Alder", "2a63", bytes(70_000)),
        Row(2, "imported", "Alder", "2a63", bytes(70_000), origin_ns=5, origin_seq=6),
    ]
    assert replay(b"".join(frames_of_ride(rows))).rows == tuple(rows)
    source = encoder()
    assert replay(source.preamble() + source.payload(1, "Alder", "2a63", bytes(70_000), "imported")).rows == (
        rows[0],
    )


def test_more_streams_than_have_an_index_are_kept_all_the_same() -> None:
    source = encoder()
    for n in range(frames.MAX_STREAMS):
        source.payload(n, f"meter {n}", "2a63", b"")
    late = [Row(1, "read", "late", "2a65", b"x"), Row(2, "relayed", "late", "2a63", b"y", origin_ns=3, origin_seq=4)]
    assert replay(encoder().preamble() + b"".join(map(source.row, late))).rows == tuple(late)


def test_cut_at_every_byte_all_whole_frames_before_the_cut_are_kept() -> None:
    rows = ride_rows(60)
    parts = frames_of_ride(rows)
    data = b"".join(parts)
    ends = [sum(map(len, parts[: n + 1])) for n in range(len(parts))]
    for cut in range(len(parts[0]) // 2, len(data) + 1):
        contents = replay(data[:cut])
        whole = sum(end <= cut for end in ends[1:-1])
        assert contents.rows == tuple(rows[:whole])
        assert (contents.end is not None) == (cut == len(data))
        assert contents.damaged == ()


def test_a_journal_cut_within_its_first_header_is_refused() -> None:
    header = encoder().preamble()
    for cut in range(len(header) // 2):
        with pytest.raises(JournalDamaged):
            replay(header[:cut])


def _is_part_of(found: JournalContents, rows: list[Row]) -> bool:
    left = iter(rows)
    return all(any(row == candidate for candidate in left) for row in found.rows)


def test_a_flipped_bit_costs_one_record_at_most_and_never_yields_a_wrong_one() -> None:
    rows = ride_rows(40)
    data = b"".join(frames_of_ride(rows))
    dice = random.Random(20)
    for _ in range(3000):
        bit = dice.randrange(len(data) * 8)
        flipped = bytearray(data)
        flipped[bit // 8] ^= 1 << bit % 8
        contents = replay(bytes(flipped))
        assert _is_part_of(contents, rows)
        assert len(contents.rows) + (contents.end is not None) >= len(rows)
        assert contents.metadata == HEADER
        assert len(contents.damaged) + (contents.torn_tail_bytes > 0) == 1


def test_a_zeroed_page_costs_only_the_records_that_touch_it() -> None:
    rows = ride_rows(600)
    parts = frames_of_ride(rows)
    data = b"".join(parts)
    page = slice(8192, 12288)
    contents = replay(data[: page.start] + bytes(4096) + data[page.stop :])
    place, hit = 0, 0
    for part in parts:
        hit += place < page.stop and place + len(part) > page.start
        place += len(part)
    assert len(contents.rows) == len(rows) - hit
    (damage,) = contents.damaged
    assert damage.offset <= page.start
    assert damage.offset + damage.length >= page.stop
    assert contents.missing_count == hit
    assert contents.end is not None


def test_a_zeroed_first_page_is_mended_by_a_later_preamble() -> None:
    source = encoder()
    rows = ride_rows(200)
    start = source.preamble() + b"".join(map(source.row, rows[:150]))
    data = bytes(4096) + start[4096:] + source.preamble() + b"".join(map(source.row, rows[150:]))
    contents = replay(data)
    lost = len(rows) - len(contents.rows)
    assert contents.rows == tuple(rows[lost:])
    assert lost < 4096 / 40
    assert contents.missing == ((1, lost),)


def _hostile_payload() -> bytes:
    forger = JournalEncoder("ride-1", {"schema": 666}, seed=0)
    forger.row(Row(1, "notification", "Alder", "2a63", b"0123456789"))
    forged_row = forger.row(Row(2, "notification", "Alder", "2a63", b"9999999999"))
    return frames.MAGIC + forged_row + forger.preamble()


def test_a_payload_that_looks_like_frames_stays_a_payload() -> None:
    rows = [*ride_rows(3), Row(9, "notification", "Cedar", "2a63", _hostile_payload()), *ride_rows(3)]
    parts = frames_of_ride(rows)
    assert replay(b"".join(parts)).rows == tuple(rows)
    parts[4] = parts[4][:-1] + bytes([parts[4][-1] ^ 1])  # now reading goes on inside the hostile payload
    contents = replay(b"".join(parts))
    assert contents.rows == tuple(rows[:3] + rows[4:])
    assert contents.metadata == HEADER


def test_a_length_beyond_the_file_or_the_limit_is_damage_not_memory() -> None:
    # Three sensors and seven payload lengths: from row 8 on, a part is one bare row frame.
    parts = frames_of_ride(ride_rows(12))
    for length in (0xFFFFFFFF, frames.MAX_BODY_BYTES, 5000):
        lying = parts[9][:4] + length.to_bytes(4, "little") + parts[9][8:]
        contents = replay(b"".join([*parts[:9], lying, *parts[10:]]))
        assert len(contents.rows) == 11
        assert contents.damaged == (Damage(0, sum(map(len, parts[:9])), len(lying)),)


def test_segments_merge_by_number_without_doubles_and_in_any_state() -> None:
    source = encoder()
    rows = ride_rows(30)
    first = source.preamble() + b"".join(map(source.row, rows[:10]))
    kept = [source.row(row) for row in rows[10:20]]
    first_with_kept = first + b"".join(kept)
    second = source.preamble() + b"".join(kept) + b"".join(map(source.row, rows[20:]))
    assert replay_segments([first_with_kept, second]).rows == tuple(rows)
    assert replay_segments([first, second]).rows == tuple(rows)
    without_header = second[len(second) // 3 :]
    assert replay_segments([first_with_kept, without_header]).rows[:20] == tuple(rows[:20])


def test_a_file_of_another_session_is_passed_over() -> None:
    mine = b"".join(frames_of_ride(ride_rows(5)))
    for stranger in (encoder("ride-2"), encoder(seed=99)):
        other = stranger.preamble() + b"".join(map(stranger.row, ride_rows(9)))
        contents = replay_segments([mine, other])
        assert len(contents.rows) == 5
        assert contents.damaged == ()


def test_a_newer_version_is_refused_by_name() -> None:
    header = frames.Header("ride-1", SEED, [], {}, version=2)
    data = frames.frame_bytes(frames.HEADER, 0, frames.header_body(header), SEED)
    with pytest.raises(JournalDamaged, match="version 2"):
        replay(data)


def test_metadata_is_merged_over_the_header_and_outlives_lost_updates() -> None:
    source = encoder()
    start = source.preamble()
    one = source.metadata({"sensors": {"Alder": {"serial": "A-1"}}, "plan": "p"})
    two = source.metadata({"sensors": {"Birch": {"serial": "B-1"}}, "pid": None})
    expected = {
        "schema": 1,
        "bench": {"name": "Quayside bench"},
        "plan": "p",
        "sensors": {"Alder": {"serial": "A-1"}, "Birch": {"serial": "B-1"}},
    }
    assert replay(start + one + two).metadata == expected
    assert replay(start + source.preamble()).metadata == expected
    assert replay(start).header == HEADER


@pytest.mark.parametrize(
    ("target", "patch", "result"),
    [  # RFC 7396 appendix A, complete
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
        (["a", "b"], ["c", "d"], ["c", "d"]),
        ({"a": "b"}, ["c"], ["c"]),
        ({"a": "foo"}, None, None),
        ({"a": "foo"}, "bar", "bar"),
        ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
        ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
        ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
    ],
)
def test_merge_patch_as_published(target: Any, patch: Any, result: Any) -> None:
    assert merge_patch(target, patch) == result


def test_the_checksum_is_the_common_crc32() -> None:
    # CRC-32/ISO-HDLC of "123456789" is 0xCBF43926: the check value of the public CRC catalogues.
    assert crc32(b"123456789") == 0xCBF43926
    frame = frames.frame_bytes(frames.HEADER, 5, b"123456789", SEED)
    assert frame[-4:] == crc32(frame[:-4]).to_bytes(4, "little")
    assert frame[:17] == frames.MAGIC + b"\x09\0\0\0" + b"\x01" + b"\x05" + bytes(7)


@settings(max_examples=20)
@given(st.lists(st.integers(0, 59), max_size=20, unique=True))
def test_missing_numbers_are_named(lost: list[int]) -> None:
    parts = frames_of_ride(ride_rows(60))
    kept = [part for n, part in enumerate(parts[4:61]) if n not in lost]
    contents = replay(b"".join(parts[:4] + kept + parts[61:]))
    numbers = {number for first, last in contents.missing for number in range(first, last + 1)}
    assert numbers == {n + 4 for n in lost if n < 57}
