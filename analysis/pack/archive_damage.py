"""Reads a pack's archive back and names every byte that is not as it was written: in a member, or between members.

Nothing is taken on trust: sizes and names come from whichever of the two lists in the archive explains more of its
bytes, nothing is unpacked to a disk, and what is in no list is told as well.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from analysis.errors import BadInput
from analysis.pack.archive_form import (
    LOCAL_MARK,
    MOST_MEMBERS,
    Placed,
    Stretch,
    places,
    slots_by_directory,
    slots_by_headers,
    stretches,
)
from analysis.pack.manifest import MANIFEST, manifest_text, read_manifest
from analysis.pack.pieces import PIECES, Fault, faults, pieces_text, read_pieces
from analysis.safe_text import safe_text

# More than this between the members is no damage: another program wrote the archive.
MOST_ODD_BYTES = 24
MOST_TOLD = 50


class NotAPack(BadInput):
    """A file that is no pack, or not one that can be read."""


@dataclass(frozen=True)
class Damage:
    """Bytes that are not as written. `offset` counts within the member, `archive_offset` within the file.

    `member` is None between members. `was` is None where it cannot be told; `where` says in words what lies there.
    """

    member: str | None
    where: str
    offset: int
    length: int
    archive_offset: int
    found: int | None = None
    was: int | None = None

    @property
    def words(self) -> str:
        size = "1 byte" if self.length == 1 else f"{self.length} bytes"
        values = "" if self.found is None or self.was is None else f": 0x{self.found:02x} instead of 0x{self.was:02x}"
        place = f"byte {self.offset} of {self.member}" if self.member else self.where
        more = f" ({self.where})" if self.member and self.where else ""
        return f"{place}{more}{values}; {size} from {self.archive_offset} of the archive on"


@dataclass(frozen=True)
class Opened:
    """Members in their order as they are now, and what is wrong with the bytes of the archive."""

    members: Mapping[str, bytes]
    damages: tuple[Damage, ...]


def open_archive(data: bytes, known: Callable[[str], bool]) -> Opened:
    """`known` tells a name that a pack may hold.

    :raises NotAPack: one sentence; for names that do not belong, and for what no damage explains.
    """
    if data[:4] != LOCAL_MARK and slots_by_directory(data) is None:
        raise NotAPack("it is no archive of `wattproof pack`: it neither begins nor ends like one")
    placed = _best_layout(data)
    _refuse(placed, known)
    members = {p.name: data[p.data_at : p.data_at + p.size] for p in placed}
    between, sound = _between(data, placed, members)
    inside = [] if between and between[0].where == _BROKEN_OFF else _inside(placed, members, sound)
    return Opened(members, (*inside, *between))


_BROKEN_OFF = "the archive breaks off"


def _best_layout(data: bytes) -> tuple[Placed, ...]:
    found = [places(slots) for slots in (slots_by_headers(data), slots_by_directory(data)) if slots]
    if not found:
        raise NotAPack("it is no archive of `wattproof pack`, or its beginning and its end are damaged")
    return min(found, key=lambda placed: (_unexplained(data, placed), -_listed(data, placed)))


def _unexplained(data: bytes, placed: Sequence[Placed]) -> int:
    between, end = _odd(data, placed, _stored_sums(data, placed))
    return sum(d.length for d in between) + abs(len(data) - end)


def _listed(data: bytes, placed: Sequence[Placed]) -> int:
    """A name damaged in one list looks as good there as the right one in the other; the manifest knows."""
    last = placed[-1]
    names = read_manifest(data[last.data_at : last.data_at + last.size])
    return sum(p.name in names or p.name == MANIFEST for p in placed)


def _refuse(placed: Sequence[Placed], known: Callable[[str], bool]) -> None:
    names = [p.name for p in placed]
    if len(names) > MOST_MEMBERS:
        raise NotAPack(f"it holds more than {MOST_MEMBERS} members, which no pack does")
    for name in names:
        if names.count(name) > 1:
            raise NotAPack(f"it holds `{safe_text(name, 80)}` more than once; nothing of it was unpacked")
        if not known(name):
            raise NotAPack(f"it holds `{safe_text(name, 80)}`, which no pack does; nothing of it was unpacked")
    if names[-1] != MANIFEST:
        raise NotAPack(f"it breaks off after {safe_text(names[-1], 80)}, or is no archive of `wattproof pack`")


def _stored_sums(data: bytes, placed: Sequence[Placed]) -> list[tuple[int, int, int]]:
    """For each member: its checksum in the header, in the directory, and as its bytes give it."""
    found = []
    for p in placed:
        one, two = (int.from_bytes(data[at : at + 4], "little") for at in p.crc_places)
        found.append((one, two, zlib.crc32(data[p.data_at : p.data_at + p.size])))
    return found


def _right_sum(sums: tuple[int, int, int]) -> int:
    """Two of three: the content may be damaged, or one of the two copies."""
    one, two, given = sums
    return given if given in (one, two) else one


def _odd(data: bytes, placed: Sequence[Placed], sums: Sequence[tuple[int, int, int]]) -> tuple[list[Damage], int]:
    """Differences between the members, and where the archive ought to end."""
    found: list[Damage] = []
    end = 0
    for stretch in stretches(placed, [_right_sum(s) for s in sums]):
        end = max(end, stretch.at + len(stretch.content))
        now = data[stretch.at : stretch.at + len(stretch.content)]
        if now != stretch.content:
            found += _differing(stretch, now)
    return found, end


def _differing(stretch: Stretch, now: bytes) -> list[Damage]:
    return [
        Damage(None, f"{stretch.what}, {stretch.field_at(n)}", n, 1, stretch.at + n, now[n], right)
        for n, right in enumerate(stretch.content)
        if n < len(now) and now[n] != right
    ]


def _between(
    data: bytes, placed: Sequence[Placed], members: Mapping[str, bytes]
) -> tuple[list[Damage], dict[str, bool]]:
    """What differs between members, and of each member whether its checksum holds.

    :raises NotAPack: for so much that another program must have written it.
    """
    sums = _stored_sums(data, placed)
    found, end = _odd(data, placed, sums)
    if len(found) > MOST_ODD_BYTES:
        first = min(found, key=lambda d: d.archive_offset)
        raise NotAPack(
            f"it was not written by `wattproof pack`, which stores its files as they are: {first.where} differs, "
            f"and {len(found) - 1} bytes more"
        )
    if len(data) > end:
        found.append(Damage(None, "behind the end of the archive", end, len(data) - end, end))
    if len(data) < end:
        found.insert(0, Damage(None, _BROKEN_OFF, len(data), end - len(data), len(data)))
    sound = {p.name: s[2] in s[:2] for p, s in zip(placed, sums, strict=True)}
    return found, sound


def _inside(placed: Sequence[Placed], members: Mapping[str, bytes], sound: Mapping[str, bool]) -> list[Damage]:
    """What differs inside members.

    A member is held against three: its checksum, its line in the manifest, its pieces. One of the last two by itself
    says that the list was changed and not the member.
    """
    at = {p.name: p.data_at for p in placed}
    content = {name: data for name, data in members.items() if name not in (MANIFEST, PIECES)}
    digests, listed = read_pieces(members.get(PIECES, b"")), read_manifest(members[MANIFEST])
    told, given = read_manifest(manifest_text(content)), read_pieces(pieces_text(content))
    changed = [
        n for n in content if not sound[n] or (listed.get(n) != told[n] and digests.get(n) != given[n])
    ]  # fmt: skip
    found = [d for n in changed for d in _of_member(n, at[n], faults(content[n], digests.get(n, ())), content[n])]
    lists = {PIECES: pieces_text(content)}
    lists[MANIFEST] = manifest_text({**content, **lists})
    for name in (PIECES, MANIFEST):
        if name not in members:
            found.append(Damage(name, "it is missing", 0, 0, 0))
        elif changed and not sound[name]:
            found.append(Damage(name, "its checksum does not hold", 0, len(members[name]), at[name]))
        elif not changed and members[name] != lists[name]:
            found += _of_member(name, at[name], _beside(members[name], lists[name]), members[name])
    return found


def _of_member(name: str, at: int, wrong: Sequence[Fault], content: bytes) -> list[Damage]:
    told = wrong or (Fault(0, len(content)),)
    return [Damage(name, "", f.offset, f.length, at + f.offset, f.found, f.was) for f in told[:MOST_TOLD]]


def _beside(now: bytes, right: bytes) -> list[Fault]:
    wrong = [Fault(n, 1, a, b) for n, (a, b) in enumerate(zip(now, right, strict=False)) if a != b]
    if len(now) != len(right):
        wrong.append(Fault(min(len(now), len(right)), abs(len(now) - len(right))))
    return wrong
