"""What sensors send: single payloads, and whole streams of them up to the figures of a segment."""

from __future__ import annotations

import math

import pyarrow as pa

from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import decode_fields
from analysis.comparison import Setup
from analysis.decoding import RowDecoder
from analysis.meter_signal import bench_signals
from analysis.recording_schema import COLUMNS
from analysis.row_samples import SampleGatherer
from analysis.rows import Event, Row
from analysis.segment_metrics import segment_metrics
from analysis.segments import Segment
from recorder.arrivals import Arrivals
from recorder.arrow_columns import ARROW_TYPES
from recorder.bluetooth_identity import identity_of
from recorder.duplicates import DuplicateFilter
from recorder.journal_frames import to_json
from tests.fuzz.feed import Feed, as_pieces
from tests.fuzz.targets import Target
from tests.riding import one_meter_bench

CHARACTERISTICS = ("2a63", "2a5b", "2ad2", "2a19", "2a6e", "2a65", "2a5d", "2a66", "2ad9", "2a29")
S = 1_000_000_000
_ARROW = {**ARROW_TYPES, "words": pa.string()}
_TYPES = {column.name: _ARROW[column.type] for column in COLUMNS}


def payload(data: bytes) -> None:
    """First the characteristic, then its bytes: values that their columns can hold, or `NotUnderstood`."""
    feed = Feed(data)
    characteristic = CHARACTERISTICS[feed.number() % len(CHARACTERISTICS)]
    try:
        found = decode_fields(characteristic, feed.rest())
    except NotUnderstood:
        return
    for name, value in found.items():
        pa.array([value], _TYPES[name])
        if isinstance(value, float) and not math.isfinite(value):
            raise AssertionError(f"{name} is {value}")


def stream(data: bytes) -> None:
    """Messages of one meter as `kind, milliseconds since the last, payload`, from decoding to every figure."""
    feed = Feed(data)
    decoder, gatherer = RowDecoder(), SampleGatherer()
    arrivals, duplicates = Arrivals(0), DuplicateFilter()
    host_ns = 0
    for _ in range(300):
        if not feed:
            break
        kind = feed.number()
        host_ns += feed.number(2) * 1_000_000
        row = Row(host_ns, "event", "Alder", event=Event.LINK_FOUND)
        if kind != 0xFF:
            characteristic = CHARACTERISTICS[kind % 5]
            row = Row(host_ns, "notification", "Alder", characteristic, feed.take(feed.number() % 40))
            if not duplicates.is_copy(characteristic, row.payload or b"", host_ns):
                arrivals.note(characteristic, row.payload or b"", host_ns)
        try:
            fields = decoder.fields(row)
        except NotUnderstood:
            fields = {}
        gatherer.add(row, fields)
    arrivals.age(host_ns, 1.0)
    signals = bench_signals(one_meter_bench(), gatherer.samples())
    whole = Segment(1, "whole", 0, max(host_ns, S), step_kind="steady")
    (found,) = segment_metrics(signals, [whole], Setup("Alder"))
    for name, figures in found.meters.items():
        # The decoder believes four turns a second at most; what a sensor tells without turns may be anything.
        if signals[name].counts_turns and figures.mean_cadence_rpm > 240.1:
            raise AssertionError(f"a mean cadence of {figures.mean_cadence_rpm}")


def identity(data: bytes) -> None:
    """What a sensor says of itself: pieces of the last byte of a characteristic's number, and its value."""
    values = {f"2a{piece[0]:02x}": piece[1:] for piece in Feed(data).pieces(20) if piece}
    said = identity_of(values, "F0:00:00:00:00:01", "ALDER 0042")
    to_json(said.as_dict())


def _packets(kind: int, every_ms: int, *payloads: bytes) -> bytes:
    head = bytes([kind]) + every_ms.to_bytes(2, "little")
    return b"".join(head + bytes([len(p)]) + p for p in payloads)


def _payloads() -> list[bytes]:
    power = [b"\x20\x00" + (200 + k).to_bytes(2, "little") + k.to_bytes(2, "little") for k in range(6)]
    return [p + (700 * k).to_bytes(2, "little") for k, p in enumerate(power)]


def _stream_seeds() -> list[bytes]:
    cadence = [b"\x02" + k.to_bytes(2, "little") + (700 * k % 65536).to_bytes(2, "little") for k in range(40)]
    trainer = [b"\x44\x00" + b"\x10\x0e" + (180).to_bytes(2, "little") + (200).to_bytes(2, "little")] * 6
    return [
        _packets(0, 683, *_payloads()),
        _packets(1, 683, *cadence) + b"\xff\x10\x00" + _packets(1, 683, *cadence),
        _packets(2, 250, *trainer),
    ]


def _payload_seeds() -> list[bytes]:
    return [bytes([n]) + bytes(range(n, n + 12)) for n in range(10)] + [b"\x00" + p for p in _payloads()]


TARGETS = (
    Target("payload", payload, _payload_seeds, 0.1),
    Target("stream", stream, _stream_seeds, 4.0),
    Target(
        "identity",
        identity,
        lambda: [as_pieces(b"\x24P42", b"\x29A\x00", b"\x25\xff\xfe\x1b", b"\x19\x64", b"\x65\x08\x00\x00\x00")],
        0.1,
    ),
)
