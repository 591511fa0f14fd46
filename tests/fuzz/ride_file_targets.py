"""Files that other devices made: FIT, TCX, GPX and tables, as they are and with their checksums put right."""

from __future__ import annotations

import contextlib
import gzip
import zlib

from analysis.characteristics.not_understood import NotUnderstood
from analysis.errors import BadInput
from analysis.ride_files.csv_mapping import CsvMapping, parse_mapping
from analysis.ride_files.opening import read_ride_file
from analysis.ride_files.record_payload import decode_record
from analysis.ride_files.ride_file import Keep
from tests.fuzz.feed import emptied
from tests.fuzz.targets import Target

_MAPPING = CsvMapping({"time": "t", "power": "p", "cadence": "c"})


def ride_file(data: bytes) -> None:
    """Any bytes, by what they hold and not by their name."""
    _read(data)


def fit(data: bytes) -> None:
    """Records of FIT, with the header and checksum that they must have."""
    _read(whole_fit(data))


def table(data: bytes) -> None:
    _read(data, _MAPPING)


def mapping(data: bytes) -> None:
    try:
        parse_mapping(data.decode("utf-8", "surrogateescape"))
    except BadInput as fault:
        _one_sentence(fault)


def record(data: bytes) -> None:
    """What is kept of one record, decoded again from a recording."""
    with contextlib.suppress(NotUnderstood):
        decode_record(data)


def _read(data: bytes, mapped: CsvMapping | None = None) -> None:
    path = emptied("ride-file") / "ride.fit"
    path.write_bytes(data)
    for keep in (Keep(), Keep(position=True, heart_rate=True)):
        try:
            found = read_ride_file(path, mapping=mapped, keep=keep)
        except BadInput as fault:
            _one_sentence(fault)
            continue
        for payload in found.payloads:
            decode_record(payload)
        if (found.time_ns[1:] <= found.time_ns[:-1]).any():
            raise AssertionError("times do not rise")


def _one_sentence(fault: BadInput) -> None:
    if "\n" in str(fault) or len(str(fault)) > 1000:
        raise AssertionError(f"no sentence: {fault!s}")


def crc16(data: bytes) -> int:
    """The checksum of FIT: CRC-16 with the polynomial 0x8005, bits reflected, from 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def whole_fit(records: bytes) -> bytes:
    """A file of these records: header of 14 bytes (its own checksum 0, as allowed), records, checksum."""
    head = b"\x0e\x20\x54\x08" + len(records).to_bytes(4, "little") + b".FIT\x00\x00"
    return head + records + crc16(head + records).to_bytes(2, "little")


def fit_records() -> bytes:
    """`file_id` (type 4, activity), then seconds of `record`: time, power, cadence; a lap; FIT protocol 2.0."""
    defined = b"\x40\x00\x00\x00\x00\x02\x00\x01\x00\x04\x04\x86" + b"\x00\x04" + (10**9).to_bytes(4, "little")
    defined += b"\x41\x00\x00\x14\x00\x03\xfd\x04\x86\x07\x02\x84\x04\x01\x02"
    for second in range(8):
        defined += b"\x01" + (10**9 + second).to_bytes(4, "little") + (200 + second).to_bytes(2, "little") + b"\x5a"
    defined += b"\x42\x00\x00\x13\x00\x02\xfd\x04\x86\x02\x04\x86"
    return defined + b"\x02" + (10**9 + 7).to_bytes(4, "little") + (10**9).to_bytes(4, "little")


def fit_with_developer_fields() -> bytes:
    """The same, and a record with a field of the device's own: developer id, field description, then its value."""
    about = b"\x43\x00\x00\xcf\x00\x01\x03\x01\x02" + b"\x03\x00"
    field = b"\x44\x00\x00\xce\x00\x03\x00\x01\x02\x01\x01\x02\x02\x01\x02" + b"\x04\x00\x00\x02"
    defined = b"\x65\x00\x00\x14\x00\x02\xfd\x04\x86\x07\x02\x84\x01\x00\x01\x00"
    return fit_records() + about + field + defined + b"\x05" + (10**9 + 9).to_bytes(4, "little") + b"\xc8\x00\x07"


def _tcx() -> bytes:
    points = "".join(
        f"<Trackpoint><Time>2026-05-02T10:00:{s:02d}Z</Time><Cadence>90</Cadence><Extensions>"
        f'<TPX xmlns="urn:example:extension"><Watts>{200 + s}</Watts></TPX>'
        "</Extensions></Trackpoint>"
        for s in range(6)
    )
    return (
        '<?xml version="1.0"?><TrainingCenterDatabase xmlns="urn:example:rides"><Activities><Activity Sport="Biking">'
        f'<Lap StartTime="2026-05-02T10:00:00Z"><Track>{points}</Track></Lap></Activity></Activities>'
        "</TrainingCenterDatabase>"
    ).encode()


def _gpx() -> bytes:
    points = "".join(
        f'<trkpt lat="1.5" lon="2.5"><time>2026-05-02T10:00:{s:02d}Z</time><extensions><power>{200 + s}</power>'
        "</extensions></trkpt>"
        for s in range(6)
    )
    return ('<gpx version="1.1" xmlns="urn:example:tracks"><trk><trkseg>' + points + "</trkseg></trk></gpx>").encode()


def _csv() -> bytes:
    return b"t;p;c\n" + b"".join(b"%d,5;%d,25;90\n" % (s, 200 + s) for s in range(8))


def _files() -> list[bytes]:
    return [whole_fit(fit_records()), _tcx(), _gpx(), gzip.compress(_tcx(), mtime=0), zlib.compress(_gpx())]


TARGETS = (
    Target("ride-file", ride_file, _files, 4.0),
    Target("fit", fit, lambda: [fit_records(), fit_with_developer_fields()], 4.0),
    Target("table", table, lambda: [_csv(), b"t,p,c\n1,200,90\n2,201,91\n", b"\xef\xbb\xbft\tp\tc\n0\t1\t2\n"], 4.0),
    Target("mapping", mapping, lambda: [b"time=t_s,power=power_w,decimal=comma"], 0.1),
    Target("record", record, lambda: [b'{"kind":"fit","power":200}'], 0.1),
)
