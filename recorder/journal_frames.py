"""The layout of a journal's bytes, encode beside decode: frames that check themselves, and what they carry.

A frame is `magic, length of body u32, type u8, sequence number u64, body, crc32 u32`, little-endian. The checksum
stands last, so that one pass covers all before it; it starts from a random seed kept in the header, so that bytes
which a sensor sends cannot pass for a frame. Where a frame is damaged, reading goes on at the next magic.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from zlib import crc32

from analysis.rows import ROW_KINDS, Row, RowKind

FORMAT_VERSION = 1
MAGIC = b"\xb7wj\n"
MAX_BODY_BYTES = 1 << 20
MAX_PAYLOAD_BYTES = 1 << 16
MAX_STREAMS = 1 << 16
MAX_DEPTH = 64
HEADER, STREAM, ROW, ROW_WITH_ORIGIN, JSON_ROW, METADATA, END = range(1, 8)
_HEAD = struct.Struct("<4sIBQ")
_OPENING = struct.Struct("<4sIB")  # the head but for the sequence number
_ROW_BODY = struct.Struct("<qH")
_ORIGIN_BODY = struct.Struct("<qHqq")
_CRC_BYTES = 4
_HEADER_SEED = 0  # the header must be readable before its seed is known

# What rows of one kind from one characteristic of one sensor have in common; a row carries only its index.
Stream = tuple[str | None, str | None, RowKind]
Json = dict[str, Any]

_JSON_ROW_FIELDS: dict[str, type] = {
    "host_ns": int,
    "row_kind": str,
    "sensor": str,
    "characteristic": str,
    "event": str,
    "detail": dict,
    "origin_ns": int,
    "origin_seq": int,
}


@dataclass(frozen=True, slots=True)
class Frame:
    """One sound frame and where it stood."""

    frame_type: int
    sequence: int
    body: bytes
    offset: int
    length: int


@dataclass(frozen=True)
class Header:
    """What a file says of itself. Two files belong together where `session_id` and `seed` are the same."""

    session_id: str
    seed: int
    streams: list[Stream]
    metadata: Json
    version: int = FORMAT_VERSION

    def same_session(self, other: Header) -> bool:
        return (self.session_id, self.seed) == (other.session_id, other.seed)


def frame_bytes(frame_type: int, sequence: int, body: bytes, seed: int) -> bytes:
    """Raises ValueError for a body that no reader would accept."""
    if len(body) > MAX_BODY_BYTES:
        raise ValueError(f"a record of {len(body)} bytes is larger than the {MAX_BODY_BYTES} that a journal holds")
    covered = _HEAD.pack(MAGIC, len(body), frame_type, sequence) + body
    start = _HEADER_SEED if frame_type == HEADER else seed
    return covered + crc32(covered, start).to_bytes(_CRC_BYTES, "little")


def sound_frames(data: bytes, seed: int) -> Iterator[Frame]:
    """Every frame that can be read; what lies between them is damage, what follows the last one a torn tail.

    Whoever reads a growing file goes on behind the last sound frame.
    """
    place = 0
    while (place := data.find(MAGIC, place)) >= 0:
        frame = _frame_at(data, place, seed)
        if frame is None:
            place += 1
        else:
            yield frame
            place += frame.length


def _frame_at(data: bytes, place: int, seed: int) -> Frame | None:
    """The frame that begins at `place`, or None where it is cut, too long, of no known type, or damaged."""
    body_start = place + _HEAD.size
    if body_start > len(data):
        return None
    _, length, frame_type, sequence = _HEAD.unpack_from(data, place)
    body_end = body_start + length
    if length > MAX_BODY_BYTES or body_end + _CRC_BYTES > len(data) or not HEADER <= frame_type <= END:
        return None
    start = _HEADER_SEED if frame_type == HEADER else seed
    expected = int.from_bytes(data[body_end : body_end + _CRC_BYTES], "little")
    if crc32(data[place:body_end], start) != expected:
        return None
    return Frame(frame_type, sequence, data[body_start:body_end], place, body_end + _CRC_BYTES - place)


def row_packer(payload_bytes: int) -> tuple[Callable[..., bytes], bytes]:
    """For payloads of one length: packs opening, sequence, host_ns, stream and payload, and the opening to give it.

    What comes out is a row frame but for its checksum.
    """
    opening = _OPENING.pack(MAGIC, _ROW_BODY.size + payload_bytes, ROW)
    return struct.Struct(f"<{_OPENING.size}sQ{_ROW_BODY.format[1:]}{payload_bytes}s").pack, opening


def origin_row_body(row: Row, stream_index: int) -> bytes:
    """Raises struct.error where a number does not fit into 64 bits."""
    fixed = _ORIGIN_BODY.pack(row.host_ns, stream_index, row.origin_ns, row.origin_seq)
    return fixed + (row.payload or b"")


def row_of(frame: Frame, streams: Mapping[int, Stream]) -> Row | None:
    """None where the frame holds no row, or its stream is not known (yet)."""
    body = frame.body
    if frame.frame_type == ROW and len(body) >= _ROW_BODY.size:
        host_ns, index = _ROW_BODY.unpack_from(body)
        if (stream := streams.get(index)) is not None:
            sensor, characteristic, kind = stream
            return Row(host_ns, kind, sensor, characteristic, body[_ROW_BODY.size :])
    elif frame.frame_type == ROW_WITH_ORIGIN and len(body) >= _ORIGIN_BODY.size:
        host_ns, index, origin_ns, origin_seq = _ORIGIN_BODY.unpack_from(body)
        if (stream := streams.get(index)) is not None:
            sensor, characteristic, kind = stream
            payload = body[_ORIGIN_BODY.size :]
            return Row(host_ns, kind, sensor, characteristic, payload, origin_ns=origin_ns, origin_seq=origin_seq)
    elif frame.frame_type == JSON_ROW:
        return _row_from_json(from_json(body))
    return None


def row_at(data: bytes, place: int, streams: Mapping[int, Stream]) -> Row | None:
    """The row of a frame that is known to be sound."""
    _, length, frame_type, sequence = _HEAD.unpack_from(data, place)
    body_start = place + _HEAD.size
    if frame_type == ROW:
        host_ns, index = _ROW_BODY.unpack_from(data, body_start)
        sensor, characteristic, kind = streams[index]
        return Row(host_ns, kind, sensor, characteristic, data[body_start + _ROW_BODY.size : body_start + length])
    body = data[body_start : body_start + length]
    return row_of(Frame(frame_type, sequence, body, place, length + _HEAD.size + _CRC_BYTES), streams)


def time_and_stream_of(frame: Frame) -> tuple[int, int] | None:
    """Host time and index of the stream; None where the frame holds no row, or one that spells its stream out."""
    if frame.frame_type == ROW and len(frame.body) >= _ROW_BODY.size:
        host_ns, index = _ROW_BODY.unpack_from(frame.body)
        return host_ns, index
    if frame.frame_type == ROW_WITH_ORIGIN and len(frame.body) >= _ORIGIN_BODY.size:
        host_ns, index, _, _ = _ORIGIN_BODY.unpack_from(frame.body)
        return host_ns, index
    return None


def json_row_body(row: Row) -> bytes:
    fields = {name: getattr(row, name) for name in _JSON_ROW_FIELDS}
    payload = None if row.payload is None else row.payload.hex()
    return to_json({**{name: value for name, value in fields.items() if value is not None}, "payload": payload})


def _row_from_json(value: Any) -> Row | None:
    if not isinstance(value, dict) or not {"host_ns", "row_kind", "detail"} <= value.keys():
        return None
    payload = value.pop("payload", None)
    if value["row_kind"] not in ROW_KINDS or not all(
        isinstance(content, _JSON_ROW_FIELDS.get(name, ())) for name, content in value.items()
    ):
        return None
    try:
        return Row(payload=None if payload is None else bytes.fromhex(payload), **value)
    except (ValueError, TypeError):
        return None


def stream_body(index: int, stream: Stream) -> bytes:
    return to_json([index, *stream])


def stream_of(frame: Frame) -> tuple[int, Stream] | None:
    match from_json(frame.body):
        case [int() as index, *rest] if (stream := _as_stream(rest)) is not None:
            return index, stream
    return None


def header_body(header: Header) -> bytes:
    return to_json(
        {
            "journal": header.version,
            "session_id": header.session_id,
            "seed": header.seed,
            "streams": header.streams,
            "metadata": header.metadata,
        }
    )


def header_of(frame: Frame) -> Header | None:
    match from_json(frame.body):
        case {
            "journal": int(version),
            "session_id": str(session_id),
            "seed": int(seed),
            "streams": list(entries),
            "metadata": dict(metadata),
        }:
            streams = [stream for entry in entries if (stream := _as_stream(entry)) is not None]
            # A list with a hole in it would give the streams behind the hole wrong indices.
            if len(streams) == len(entries):
                return Header(session_id, seed & 0xFFFFFFFF, streams, metadata, version)
    return None


def find_header(data: bytes) -> Header | None:
    """The first header that can be read, wherever it stands."""
    place = -1
    while (place := data.find(MAGIC, place + 1)) >= 0:
        if data[place + 8 : place + 9] != bytes([HEADER]):
            continue
        frame = _frame_at(data, place, _HEADER_SEED)
        if frame is not None and (header := header_of(frame)) is not None:
            return header
    return None


def _as_stream(value: Any) -> Stream | None:
    match value:
        case [str() | None as sensor, str() | None as characteristic, str() as kind] if kind in ROW_KINDS:
            return sensor, characteristic, kind
    return None


def to_json(value: Any) -> bytes:
    """Raises TypeError or ValueError for what is no JSON, or is nested more deeply than is read back."""
    body = json.dumps(value, separators=(",", ":"), default=_plain).encode("ascii")
    if from_json(body) is None:
        raise ValueError(f"what a journal keeps may be nested {MAX_DEPTH} deep at most")
    return body


def _plain(value: object) -> Json:
    """Frozen records like read-only mappings, and json knows only dict."""
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"a {type(value).__name__} cannot be kept in a journal")


def from_json(body: bytes) -> Any:
    """None for anything that is no JSON or is nested too deeply, so that no reader needs to fear recursion."""
    try:
        value = json.loads(body)
    except (ValueError, RecursionError):
        return None
    level = [value]
    for _ in range(MAX_DEPTH):
        level = [child for parent in level for child in _children(parent)]
        if not level:
            return value
    return None


def _children(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []
