"""Inputs near those that are well formed: a few bytes changed, put in, taken out, doubled, or cut off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

_INTERESTING = st.sampled_from(
    [b"\x00", b"\xff", b"\x7f", b"\x80", b"\xff" * 4, b"\x00" * 8, b"1e999", b"nan", b'"', b"-"]
)
_Change = tuple[str, float, int, bytes]
_CHANGES = st.tuples(
    st.sampled_from(["set", "put in", "take out", "double", "cut"]),
    st.floats(0, 1, exclude_max=True),
    st.integers(1, 16),
    st.one_of(_INTERESTING, st.binary(min_size=1, max_size=6)),
)


@dataclass(frozen=True)
class Mutant:
    """Shown by what was done to which seed, since a file is too long to be shown."""

    seed: int
    changes: tuple[_Change, ...]
    anything: bytes = b""

    def data(self, seeds: Sequence[bytes]) -> bytes:
        return changed(seeds[self.seed], self.changes) if self.seed >= 0 else self.anything


def mutants(seeds: int) -> Any:
    """A strategy: mostly a seed with up to eight changes, now and then anything."""
    changes = st.lists(_CHANGES, max_size=8).map(tuple)
    near = st.builds(Mutant, st.integers(0, seeds - 1), changes)
    return st.one_of(near, near, near, st.builds(Mutant, st.just(-1), st.just(()), st.binary(max_size=200)))


def changed(seed: bytes, changes: Sequence[_Change]) -> bytes:
    data = seed
    for what, where, length, new in changes:
        at = int(where * len(data))
        if what == "set":
            data = data[:at] + new + data[at + len(new) :]
        elif what == "put in":
            data = data[:at] + new + data[at:]
        elif what == "take out":
            data = data[:at] + data[at + length :]
        elif what == "double":
            data = data[: at + length] + data[at:]
        else:
            data = data[:at]
    return data
