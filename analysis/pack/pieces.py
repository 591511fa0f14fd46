"""Checksums of small pieces of every member, so that a damage can be told to the byte and not only by its member.

The file is text: for each member a line `name size`, then for every 1024 bytes of it SHA-256 and CRC-32.
"""

from __future__ import annotations

import hashlib
import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

PIECES = "pieces.sha256"
PIECE = 1024
HEAD = f"# SHA-256 and CRC-32 of every {PIECE} bytes of each file, to find where a damage lies\n"
_LINE = re.compile(r"([0-9a-f]{64}) ([0-9a-f]{8})")
# What a changed last byte does to a CRC-32, by the bits in which it changed; and which of them has that highest byte.
_OF_LAST = [zlib.crc32(bytes((bits,))) ^ zlib.crc32(b"\0") for bits in range(256)]
_BY_HIGHEST = {value >> 24: bits for bits, value in enumerate(_OF_LAST)}


@dataclass(frozen=True)
class Sums:
    """Of one piece."""

    sha256: str
    crc32: int


@dataclass(frozen=True)
class Fault:
    """Bytes of a member that are not what they were: `was` only where a single byte is wrong and could be found."""

    offset: int
    length: int
    found: int | None = None
    was: int | None = None


def pieces_text(members: Mapping[str, bytes]) -> bytes:
    lines = [HEAD]
    for name, content in members.items():
        lines.append(f"{name} {len(content)}\n")
        lines += [f"{s.sha256} {s.crc32:08x}\n" for s in piece_sums(content)]
    return "".join(lines).encode()


def piece_sums(content: bytes) -> tuple[Sums, ...]:
    return tuple(Sums(hashlib.sha256(piece).hexdigest(), zlib.crc32(piece)) for piece in _cut(content))


def read_pieces(text: bytes) -> dict[str, tuple[Sums, ...]]:
    """By member. A line that is damaged beyond reading is not among them."""
    found: dict[str, list[Sums]] = {}
    name = None
    for line in text.decode("utf-8", "replace").split("\n")[1:]:
        if (sums := _LINE.fullmatch(line)) is not None:
            if name is not None:
                found[name].append(Sums(sums[1], int(sums[2], 16)))
        elif " " in line:
            name = line.rpartition(" ")[0]
            found[name] = []
    return {key: tuple(sums) for key, sums in found.items()}


def faults(content: bytes, sums: tuple[Sums, ...]) -> tuple[Fault, ...]:
    """Where `content` differs from what it was."""
    found = []
    for n, (piece, now) in enumerate(zip(_cut(content), piece_sums(content), strict=True)):
        if n >= len(sums):
            found.append(Fault(n * PIECE, len(piece)))
        elif now != sums[n]:
            found.append(_fault(piece, n * PIECE, sums[n]))
    return tuple(found)


def _fault(piece: bytes, at: int, was: Sums) -> Fault:
    single = _single_byte(piece, was)
    if single is None:
        return Fault(at, len(piece))
    offset, value = single
    return Fault(at + offset, 1, piece[offset], value)


def _single_byte(piece: bytes, was: Sums) -> tuple[int, int] | None:
    """Which one byte, put right, gives the sums.

    CRC-32 is linear: what a changed byte does to it depends on its bits and on how many bytes follow. Going back byte
    by byte from the end undoes the following ones; SHA-256 then says whether it is so.
    """
    change = zlib.crc32(piece) ^ was.crc32
    for offset in range(len(piece) - 1, -1, -1):
        bits = _BY_HIGHEST[change >> 24]
        if _OF_LAST[bits] == change:
            value = piece[offset] ^ bits
            right = piece[:offset] + bytes((value,)) + piece[offset + 1 :]
            if hashlib.sha256(right).hexdigest() == was.sha256:
                return offset, value
        change = (change ^ _OF_LAST[bits]) << 8 | bits
    return None


def _cut(content: bytes) -> Iterator[bytes]:
    return (content[at : at + PIECE] for at in range(0, len(content), PIECE))
