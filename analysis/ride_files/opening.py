"""From a path to a ride: bounded reading, gzip, and the format by what the file holds, not by its name."""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass
from pathlib import Path

from analysis.errors import BadRideFile
from analysis.ride_files import csv_reader, fit_reader, xml_reader
from analysis.ride_files.csv_mapping import CsvMapping
from analysis.ride_files.record_collector import RecordCollector, Records
from analysis.ride_files.ride_file import LONGEST_HOLD_S, UNKNOWN_DEVICE, Keep, Kind, RideFile, Span
from analysis.safe_text import safe_text

MOST_BYTES: dict[Kind, int] = {
    "fit": fit_reader.MOST_BYTES,
    "tcx": xml_reader.MOST_BYTES,
    "gpx": xml_reader.MOST_BYTES,
    "csv": csv_reader.MOST_BYTES,
}
LARGEST = max(MOST_BYTES.values())
# Ride files shrink to a third or a tenth, an empty table to a fiftieth.
GREATEST_RATIO = 100
_RATIO_FROM = 1 << 20
_SNIFFED = 4096
_ARCHIVES = {
    b"PK\x03\x04": "a zip archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"BZh": "a bzip2 file",
    b"\xfd7zXZ": "an xz file",
}


@dataclass(frozen=True)
class _Content:
    data: bytes
    kind: Kind


@dataclass(frozen=True, eq=False)
class _Read:
    records: Records
    utc_known: bool
    beside: fit_reader.FitContents | xml_reader.XmlContents | csv_reader.CsvContents


def read_ride_file(path: Path, *, mapping: CsvMapping | None = None, keep: Keep | None = None) -> RideFile:
    """The ride in a file of another device. `mapping` is needed for tables only.

    :raises BadRideFile: one sentence with file and remedy.
    """
    where = safe_text(str(path), 200)
    original = _bytes_of(path, where)
    content = _content(original, where)
    read = _read(content, RecordCollector(content.kind, where), keep or Keep(), mapping)
    records, beside = read.records, read.beside
    first_ns, last_ns = int(records.time_ns[0]), int(records.time_ns[-1])
    told = beside if not isinstance(beside, csv_reader.CsvContents) else None
    remarks = [*_named_otherwise(path, content.kind), *beside.remarks, *records.remarks, *_spacing_words(records)]
    return RideFile(
        name=safe_text(path.name, 80),
        sha256=hashlib.sha256(original).hexdigest(),
        kind=content.kind,
        utc_known=read.utc_known,
        time_ns=records.time_ns,
        payloads=records.payloads,
        columns=records.columns,
        balance_reference=records.balance_reference,
        spacing_s=records.spacing_s,
        uneven=records.uneven,
        recorder=UNKNOWN_DEVICE if told is None else told.recorder,
        meter=beside.meter if isinstance(beside, fit_reader.FitContents) else UNKNOWN_DEVICE,
        laps=() if told is None else _within(told.laps, first_ns, last_ns),
        pauses=() if told is None else _within(told.pauses, first_ns, last_ns),
        calibrations_ns=_calibrations(beside, first_ns, last_ns),
        remarks=tuple(remarks),
        damaged=told is not None and told.damaged,
    )


def _bytes_of(path: Path, where: str) -> bytes:
    """Nothing but a plain file is opened: a pipe would never end."""
    try:
        if not path.is_file():
            if not path.exists():
                raise BadRideFile(f"{where} does not exist; give the path of a FIT, TCX, GPX or CSV file")
            raise BadRideFile(f"{where} is not a file; give the path of a FIT, TCX, GPX or CSV file")
        if path.stat().st_size > LARGEST:
            raise BadRideFile(f"{where} is larger than {LARGEST >> 20} MiB, which no ride is; it is not read")
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except (OSError, ValueError) as fault:
        raise BadRideFile(f"{where} cannot be read: {getattr(fault, 'strerror', None) or 'no such path'}") from fault
    if not data:
        raise BadRideFile(f"{where} is empty; copy it from its device again")
    return data


def _content(data: bytes, where: str) -> _Content:
    if data[:2] == b"\x1f\x8b":
        data = _unpacked(data, where)
    archive = next((words for magic, words in _ARCHIVES.items() if data.startswith(magic)), None)
    if archive is not None:
        raise BadRideFile(f"{where} is {archive}; take the ride out of it and give that")
    kind = _kind(data, where)
    if len(data) > MOST_BYTES[kind]:
        raise BadRideFile(
            f"{where} has more than {MOST_BYTES[kind] >> 20} MiB of {kind.upper()}; no ride is as large"
        )
    return _Content(data, kind)


def _unpacked(data: bytes, where: str) -> bytes:
    unpacker = zlib.decompressobj(wbits=31)
    most = min(LARGEST, max(_RATIO_FROM, GREATEST_RATIO * len(data)))
    try:
        found = unpacker.decompress(data, most + 1)
    except zlib.error as fault:
        raise BadRideFile(f"{where} is a damaged gzip file: {safe_text(str(fault), 60)}") from fault
    if len(found) > most:
        raise BadRideFile(f"{where} unpacks to far more than a ride; it is not read")
    if not unpacker.eof:
        raise BadRideFile(f"{where} is a gzip file that was cut short; copy it again")
    return found


def _kind(data: bytes, where: str) -> Kind:
    if data[8:12] == b".FIT":
        return "fit"
    start = data[:_SNIFFED]
    text = start.lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n\x00")
    if text.startswith(b"<"):
        kind = xml_reader.xml_kind(start.replace(b"\x00", b""))
        if kind is None:
            raise BadRideFile(f"{where} is XML or HTML, but neither TCX nor GPX; export the ride as FIT, TCX or GPX")
        return kind
    if b"\x00" in data[: 1 << 20] or b"\x00" in data:
        raise BadRideFile(f"{where} is no FIT, TCX, GPX or CSV file; export the ride as one of these")
    return "csv"


def _read(content: _Content, collector: RecordCollector, keep: Keep, mapping: CsvMapping | None) -> _Read:
    if content.kind == "fit":
        fit = fit_reader.read_fit(content.data, collector, keep)
        records = collector.finish()
        return _Read(records, fit_reader.is_utc(int(records.time_ns[0])), fit)
    if content.kind == "csv":
        table = csv_reader.read_csv(content.data, collector, keep, mapping)
        return _Read(collector.finish(), table.utc_known, table)
    xml = xml_reader.read_xml(content.data, collector, keep)
    return _Read(collector.finish(), not xml.zones_missing, xml)


def _within(spans: list[Span], first_ns: int, last_ns: int) -> tuple[Span, ...]:
    """Those that touch the records that were kept."""
    return tuple(s for s in spans if s.stop_ns > first_ns and s.start_ns < last_ns)


def _calibrations(beside: object, first_ns: int, last_ns: int) -> tuple[int, ...]:
    if not isinstance(beside, fit_reader.FitContents):
        return ()
    return tuple(t for t in beside.calibrations_ns if first_ns <= t <= last_ns)


def _named_otherwise(path: Path, kind: Kind) -> list[str]:
    suffix = path.name.lower().removesuffix(".gz").rpartition(".")[2]
    return [f"named .{suffix}, but a {kind.upper()} file"] if suffix in MOST_BYTES and suffix != kind else []


def _spacing_words(records: Records) -> list[str]:
    if not records.uneven and records.spacing_s > LONGEST_HOLD_S:
        return [
            f"records came every {records.spacing_s:.0f} s, and a value stands for {LONGEST_HOLD_S:g} s at most: the "
            "rest counts as missing; set the device to record every second"
        ]
    if not records.uneven:
        return []
    return [
        f"records came only now and then (every {records.spacing_s:.0f} s in the middle), as when a device records "
        "changes only: what lies between is missing; set the device to record every second"
    ]
