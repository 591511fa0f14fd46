"""The rows of a journal that was read: where each one's frame lies, from which it is decoded when it is asked for.

What is kept in memory for each row is a few numbers beside the bytes of the files, so that a long ride costs little.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import overload

import numpy as np
from numpy.typing import NDArray

from analysis.rows import Row
from recorder.errors import JournalDamaged
from recorder.journal_frames import Stream, row_at

_AT_ONCE = 4096
_INT64 = range(-(2**63), 2**63)
NO_STREAM = -1
IntArray = NDArray[np.int64]


class RowPlaces:
    """Under construction: one entry for each sound frame that holds a row, in the order in which they were found."""

    def __init__(self, segments: Sequence[bytes]) -> None:
        self._segments = segments
        self._starts = [0, *accumulate(map(len, segments))]
        self._sequences = array("Q")
        self._host_ns = array("q")
        self._places = array("q")
        self._streams = array("i")

    def add(self, segment: int, offset: int, sequence: int, host_ns: int, stream: int = NO_STREAM) -> None:
        self._sequences.append(sequence)
        # A time beyond 64 bits fits into no recording; here it only has to stand at its end of the order.
        self._host_ns.append(max(_INT64[0], min(host_ns, _INT64[-1])))
        self._places.append(self._starts[segment] + offset)
        self._streams.append(stream)

    def rows(self, streams: Mapping[int, Stream]) -> JournalRows:
        """By number, each number once: the frame that was found first."""
        found = _Found(
            self._segments,
            self._starts,
            streams,
            np.frombuffer(self._sequences, np.uint64),
            np.frombuffer(self._host_ns, np.int64),
            np.frombuffer(self._places, np.int64),
            np.frombuffer(self._streams, np.int32),
        )
        if np.all(found.sequences[1:] > found.sequences[:-1]):
            return JournalRows(found, np.arange(len(found.sequences)))
        return JournalRows(found, np.unique(found.sequences, return_index=True)[1])


@dataclass(frozen=True)
class _Found:
    """What is known of every frame with a row; `starts` are the places of the files in one long row of bytes."""

    segments: Sequence[bytes]
    starts: Sequence[int]
    stream_names: Mapping[int, Stream]
    sequences: NDArray[np.uint64]
    host_ns: IntArray
    places: IntArray
    streams: NDArray[np.int32]

    def row(self, number: int) -> Row:
        place = int(self.places[number])
        segment = int(np.searchsorted(self.starts, place, side="right")) - 1 if len(self.segments) > 1 else 0
        row = row_at(self.segments[segment], place - self.starts[segment], self.stream_names)
        if row is None:
            raise JournalDamaged("a row of the journal that was read before cannot be read again")
        return row


@dataclass(frozen=True, eq=False)
class JournalRows(Sequence[Row]):
    """Equal to any sequence of the same rows. `tail` follows behind what the journal holds."""

    _found: _Found
    _order: IntArray
    tail: tuple[Row, ...] = ()

    def __len__(self) -> int:
        return len(self._order) + len(self.tail)

    @overload
    def __getitem__(self, index: int) -> Row: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[Row, ...]: ...

    def __getitem__(self, index: int | slice) -> Row | tuple[Row, ...]:
        if isinstance(index, slice):
            own = len(self._order)
            wanted = range(*index.indices(len(self)))
            return tuple(self._found.row(self._order[n]) if n < own else self.tail[n - own] for n in wanted)
        number = range(len(self))[index]
        return self[number : number + 1][0]

    def __iter__(self) -> Iterator[Row]:
        for start in range(0, len(self), _AT_ONCE):
            yield from self[start : start + _AT_ONCE]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(mine == theirs for mine, theirs in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # rows hold mappings

    def in_time(self) -> JournalRows:
        """By host time, and by number where that is the same; the tail stays where it is."""
        return replace(self, _order=self._order[np.argsort(self._found.host_ns[self._order], kind="stable")])

    def followed_by(self, row: Row) -> JournalRows:
        return replace(self, tail=(*self.tail, row))

    @property
    def sequences(self) -> NDArray[np.uint64]:
        return self._found.sequences[self._order]

    @property
    def end_ns(self) -> int:
        """The latest host time of all rows of the journal; 0 without any."""
        return int(self._found.host_ns[self._order].max()) if len(self._order) else 0

    def by_sensor(self) -> dict[str, tuple[int, int]]:
        """How many rows of each sensor, events left out, and the latest host time; in the order of their first."""
        found: list[tuple[int, str, int, int]] = []
        streams, host_ns = self._found.streams[self._order], self._found.host_ns[self._order]
        for stream in np.unique(streams):
            hits = np.flatnonzero(streams == stream)
            if stream == NO_STREAM:
                rows = ((int(n), self[int(n)]) for n in hits)
                told = [(n, row) for n, row in rows if row.row_kind != "event"]
                found += [(n, row.sensor, 1, int(host_ns[n])) for n, row in told if row.sensor is not None]
            elif (sensor := self._found.stream_names[int(stream)][0]) is not None:
                found.append((int(hits[0]), sensor, len(hits), int(host_ns[hits].max())))
        sums: dict[str, tuple[int, int]] = {}
        for _, sensor, count, last_ns in sorted(found):
            before, before_ns = sums.get(sensor, (0, last_ns))
            sums[sensor] = before + count, max(before_ns, last_ns)
        return sums
