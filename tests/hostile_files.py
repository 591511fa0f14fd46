"""Files made to hurt whoever reads them, each with words of the one sentence that it costs."""

from __future__ import annotations

import gzip
import random
import struct
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.fit_files import fit_of
from tests.xml_rides import tcx

MB = 1_000_000


class Hostile(NamedTuple):
    name: str
    data: Callable[[], bytes]
    says: str


def _fit(body: bytes) -> bytes:
    return struct.pack("<2BHI4s", 12, 0x20, 2100, len(body), b".FIT") + body


def _entities() -> bytes:
    """Each of ten entities is ten times the one before."""
    defined = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
    return f'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY e0 "ha">{defined}]><gpx>&e9;</gpx>'.encode()


def _wide_definition() -> bytes:
    """255 fields of 255 bytes: 64 KiB for each message."""
    return b"\x40\x00\x00\x14\x00\xff" + b"".join(bytes([n % 250, 255, 13]) for n in range(255))


_EXTERNAL = b'<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/hostname">]><gpx>&x;</gpx>'
_POINT = b"<Trackpoint>" + b"<a/>" * 190 + b"</Trackpoint>"

HOSTILE = (
    Hostile("entities.gpx", _entities, "declares a document type or entities"),
    Hostile("external.gpx", lambda: _EXTERNAL, "declares a document type or entities"),
    Hostile("deep.gpx", lambda: b"<gpx>" + b"<a>" * 200_000, "nests elements deeper"),
    Hostile("flood.gpx", lambda: b"<gpx>" + b"<a/>" * 15 * MB, "far more elements than a ride"),
    Hostile(
        "points.tcx",
        lambda: tcx([[]]).replace(b"<Track>", b"<Track>" + _POINT * 60_000),
        "far more elements than a ride",
    ),
    Hostile("text.gpx", lambda: b"<gpx><name>" + b"x" * 60 * MB, "more than a megabyte"),
    Hostile("tag.gpx", lambda: b'<gpx creator="' + b"x" * 60 * MB, "more than a megabyte"),
    Hostile("comment.gpx", lambda: b"<gpx><!--" + b"x" * 60 * MB, "more than a megabyte"),
    Hostile("page.tcx", lambda: b"<!doctype html><html>log in</html>", "XML or HTML, but neither"),
    Hostile("zeros.fit.gz", lambda: gzip.compress(bytes(300 * MB), 9), "unpacks to far more than a ride"),
    Hostile("cut.fit.gz", lambda: gzip.compress(fit_of([200.0] * 50))[:-20], "gzip file that was cut short"),
    Hostile("archive.fit", lambda: b"PK\x03\x04../../evil.fit", "is a zip archive"),
    Hostile("empty.fit", lambda: b"", "is empty"),
    Hostile("rubbish.fit", lambda: random.Random(1).randbytes(MB), "is no FIT, TCX, GPX or CSV file"),
    Hostile("header.fit", lambda: _fit(random.Random(2).randbytes(10 * MB)), "header.fit"),
    Hostile("wide.fit", lambda: _fit(_wide_definition() + bytes(10 * MB)), "defines messages as no ride has"),
    Hostile("defines.fit", lambda: _fit(b"\x40\x00\x00\x14\x00\x00" * 2 * MB), "defines messages as no ride has"),
    Hostile("line.csv", lambda: b"t,p," + b"a," * 30 * MB, "lines far longer"),
    Hostile("row.csv", lambda: b"t,p\n" + b"1," * 30 * MB, "lines far longer"),
    Hostile("quote.csv", lambda: b't,p\n1,"' + b"a\n" * 30 * MB, "cannot be read as a table"),
    Hostile("rows.csv", lambda: b"t,p\n" + b"1,1\n" * 15 * MB, "more than 200,000 rows"),
    Hostile("far.csv", lambda: b"t,p\n" + b"".join(b"%d,200\n" % (n * 40_000) for n in range(1000)), "four days"),
    Hostile("never.csv", lambda: b"t,p\n" + b"nan,200\n" * 100, "neither seconds nor UTC"),
    Hostile("large.csv", lambda: b"t,p\n" + b" " * 70 * MB, "larger than 64 MiB"),
)


def write_hostile(folder: Path, hostile: Hostile) -> Path:
    path = folder / hostile.name
    path.write_bytes(hostile.data())
    return path
