"""The one form of a pack's archive: a zip of stored members, every byte of it fixed by their names and contents.

Knows nothing of what the members mean. Layout after the ZIP File Format Specification (PKWARE APPNOTE 6.3, sections
4.3.7, 4.3.12, 4.3.16). Nothing is compressed: the recording is so already, and libraries that compress differ.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

_VERSION_NEEDED, _MADE_BY_UNIX, _FIRST_OF_1980 = 10, 3 << 8 | 10, 0x0021
_PLAIN_FILE = 0o100644 << 16
_LOCAL, _CENTRAL, _END = struct.Struct("<4s5H3L2H"), struct.Struct("<4s6H3L5H2L"), struct.Struct("<4s4H2LH")
LOCAL_MARK, CENTRAL_MARK, END_MARK = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
MOST_MEMBERS = 200
_LOCAL_FIELDS = (
    *("mark 4", "version needed 2", "flags 2", "method 2", "time 2", "date 2"),
    *("checksum 4", "stored size 4", "size 4", "length of the name 2", "length of extra fields 2"),
)
_CENTRAL_FIELDS = (
    *("mark 4", "version made by 2", "version needed 2", "flags 2", "method 2", "time 2", "date 2", "checksum 4"),
    *("stored size 4", "size 4", "length of the name 2", "length of extra fields 2", "length of a comment 2"),
    *("disk 2", "internal attributes 2", "external attributes 4", "place of the member 4"),
)
_END_FIELDS = (
    *("mark 4", "disk 2", "disk of the directory 2", "entries on this disk 2", "entries 2"),
    *("size of the directory 4", "place of the directory 4", "length of a comment 2"),
)


class Slot(NamedTuple):
    """A member by name and size: a list of them fixes where everything lies."""

    name: str
    size: int


@dataclass(frozen=True)
class Placed:
    """Where a member lies, counted from the archive's first byte."""

    name: str
    size: int
    header_at: int
    data_at: int
    central_at: int

    @property
    def crc_places(self) -> tuple[int, int]:
        """The checksum of a member is written twice."""
        return self.header_at + 14, self.central_at + 16


class Stretch(NamedTuple):
    """Bytes that are no member's content, as they must be; `what` names them, `fields` those within."""

    at: int
    content: bytes
    what: str
    fields: tuple[str, ...]

    def field_at(self, offset: int) -> str:
        """The name of what lies `offset` bytes into this stretch."""
        for field in self.fields:
            name, _, size = field.rpartition(" ")
            if offset < int(size):
                return name
            offset -= int(size)
        return "name"


def archive_bytes(members: Mapping[str, bytes]) -> bytes:
    """The archive. Names are ASCII; order is that of the mapping."""
    placed = places([Slot(name, len(content)) for name, content in members.items()])
    sums = [zlib.crc32(content) for content in members.values()]
    # An empty member lies where the next header begins, which then takes its place.
    parts = {p.data_at: content for p, content in zip(placed, members.values(), strict=True)}
    parts |= {stretch.at: stretch.content for stretch in stretches(placed, sums)}
    return b"".join(parts[at] for at in sorted(parts))


def places(slots: Sequence[Slot]) -> tuple[Placed, ...]:
    heads, at = [], 0
    for slot in slots:
        heads.append(at)
        at += _LOCAL.size + len(slot.name) + slot.size
    found = []
    for slot, header_at in zip(slots, heads, strict=True):
        found.append(Placed(slot.name, slot.size, header_at, header_at + _LOCAL.size + len(slot.name), at))
        at += _CENTRAL.size + len(slot.name)
    return tuple(found)


def stretches(placed: Sequence[Placed], sums: Sequence[int]) -> Iterator[Stretch]:
    """All but the contents, in no order; `sums` are the members' CRC-32."""
    central_from = placed[0].central_at if placed else 0
    end_at = central_from + sum(_CENTRAL.size + len(p.name) for p in placed)
    for p, crc in zip(placed, sums, strict=True):
        name = p.name.encode("latin-1")  # ours are ASCII; a damaged one may be anything
        about = (_VERSION_NEEDED, 0, 0, 0, _FIRST_OF_1980, crc, p.size, p.size, len(name), 0)
        yield Stretch(p.header_at, _LOCAL.pack(LOCAL_MARK, *about) + name, f"the header of {p.name}", _LOCAL_FIELDS)
        central = _CENTRAL.pack(CENTRAL_MARK, _MADE_BY_UNIX, *about, 0, 0, 0, _PLAIN_FILE, p.header_at)
        yield Stretch(p.central_at, central + name, f"the directory entry of {p.name}", _CENTRAL_FIELDS)
    count = len(placed)
    end = _END.pack(END_MARK, 0, 0, count, count, end_at - central_from, central_from, 0)
    yield Stretch(end_at, end, "the end of the directory", _END_FIELDS)


def slots_by_headers(data: bytes) -> list[Slot] | None:
    """From the headers in front of the members, one after the other; None where that leads nowhere."""
    found: list[Slot] = []
    at = 0
    while data[at : at + 4] == LOCAL_MARK and at + _LOCAL.size <= len(data):
        *_, size, _unpacked, name_length, extra_length = _LOCAL.unpack_from(data, at)
        name_at = at + _LOCAL.size
        at = name_at + name_length + extra_length + size
        if at > len(data) or len(found) >= MOST_MEMBERS:
            return None
        found.append(Slot(data[name_at : name_at + name_length].decode("latin-1"), size))
    return found or None


def slots_by_directory(data: bytes) -> list[Slot] | None:
    """From the directory at the end; None where that leads nowhere."""
    if len(data) < _END.size or data[-_END.size :][:4] != END_MARK:
        return None
    *_, count, _size, at, _ = _END.unpack_from(data, len(data) - _END.size)
    found: list[Slot] = []
    for _ in range(min(count, MOST_MEMBERS + 1)):
        if at + _CENTRAL.size > len(data) or data[at : at + 4] != CENTRAL_MARK:
            return None
        fields = _CENTRAL.unpack_from(data, at)
        size, name_length, extra, comment = fields[8], fields[10], fields[11], fields[12]
        name_at = at + _CENTRAL.size
        found.append(Slot(data[name_at : name_at + name_length].decode("latin-1"), size))
        at = name_at + name_length + extra + comment
    # Sizes that are more than all there is would not fit into the headers that they are held against.
    return found if found and sum(slot.size for slot in found) <= len(data) else None
