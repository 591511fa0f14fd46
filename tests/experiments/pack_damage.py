"""How surely one changed byte of a pack is found and named, by where it lies.

`python -m tests.experiments.pack_damage RIDE.evidence.zip [COUNT]` changes COUNT bytes, one at a time, anywhere, and
every byte of headers, directory and end besides; it prints how many were found and how many named to the byte.
"""

# ruff: noqa: T201 - printing its table is what an experiment is for

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from random import Random

from analysis.pack.archive_damage import NotAPack, open_archive
from analysis.pack.archive_form import Slot, places, stretches
from analysis.pack.members import known_name
from tests.packs import members_of

COUNT = 2000


def between_members(pack: bytes) -> list[int]:
    """Every place that is no member's content."""
    placed = places([Slot(name, len(content)) for name, content in members_of(pack).items()])
    found = stretches(placed, [0] * len(placed))
    return sorted(at for s in found for at in range(s.at, s.at + len(s.content)))


def kind_of(pack: bytes, at: int) -> str:
    placed = places([Slot(name, len(content)) for name, content in members_of(pack).items()])
    return next((p.name for p in placed if p.data_at <= at < p.data_at + p.size), "between members")


def try_bytes(pack: bytes, offsets: Iterable[int], seed: int = 1) -> tuple[int, int, list[int]]:
    """How many were changed, how many found, and the places of those not named to the byte."""
    chance, changed, found, unnamed = Random(seed), 0, 0, []
    for at in offsets:
        damaged = bytearray(pack)
        damaged[at] ^= chance.randrange(1, 256)
        changed += 1
        try:
            damages = open_archive(bytes(damaged), known_name).damages
        except NotAPack:
            damages = ()
            found += 1
        found += bool(damages)
        if [(d.archive_offset, d.length, d.was) for d in damages] != [(at, 1, pack[at])]:
            unnamed.append(at)
    return changed, found, unnamed


def main() -> None:
    pack = Path(sys.argv[1]).read_bytes()
    count = int(sys.argv[2]) if len(sys.argv) > 2 else COUNT
    chance = Random(2)
    for words, offsets in (
        ("anywhere", [chance.randrange(len(pack)) for _ in range(count)]),
        ("between members, every byte", between_members(pack)),
    ):
        changed, found, unnamed = try_bytes(pack, offsets)
        print(f"{words}: {changed} changed, {found} found, {changed - len(unnamed)} named to the byte")
        print(
            "".join(
                f"  not named: {n} in {kind}\n" for kind, n in Counter(kind_of(pack, a) for a in unnamed).items()
            ),
            end="",
        )


if __name__ == "__main__":
    main()
