"""What a ledger held at one moment: the results that count, wherever they lie; knows files, no figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import pyarrow as pa

from analysis.ledger.ledger_index import KEY_COLUMNS, DamagedResults, NotOurs, ResultsFile, keys_of, no_rows, of_rides
from analysis.ledger.results_schema import RIDE, recording_of


@dataclass(frozen=True)
class Snapshot:
    """The results of all rides at one moment, from the index and from the files that it lacks; `keys` count."""

    results_file: Callable[[str], ResultsFile]
    index: ResultsFile | None
    keys: frozenset[str]

    @cached_property
    def covered(self) -> frozenset[str]:
        """Keys of the results in the index, whether they still count or not."""
        if self.index is None:
            return frozenset()
        try:
            return frozenset(keys_of(self.index.rows(RIDE, KEY_COLUMNS)).to_pylist())
        except DamagedResults:  # a damaged index is as good as none
            return frozenset()

    @cached_property
    def _opened(self) -> tuple[tuple[tuple[str, ResultsFile], ...], tuple[str, ...]]:
        opened, unreadable = [], []
        for key in sorted(self.keys - self.covered):
            try:
                opened.append((key, self.results_file(key)))
            except (OSError, NotOurs, pa.ArrowException):
                unreadable.append(key)
        return tuple(opened), tuple(unreadable)

    @property
    def beside(self) -> int:
        """How many rides are read from files of their own."""
        return len(self._opened[0])

    @property
    def unreadable(self) -> tuple[str, ...]:
        """Keys of results that are damaged, or of another version."""
        return self._opened[1]

    def key_of(self, sha256: str) -> str | None:
        """Of the results of this recording that can be read."""
        usable = (key for key in self.keys if recording_of(key) == sha256 and key not in self.unreadable)
        return next(usable, None)

    @cached_property
    def sources(self) -> tuple[tuple[ResultsFile, frozenset[str] | None], ...]:
        """Every file, and of the index the rides that still count."""
        own = [(file, None) for _, file in self._opened[0]]
        if self.index is None or not self.covered:
            return tuple(own)
        return ((self.index, self.covered & self.keys), *own)

    def rows(self, row: str, columns: Sequence[str], **wanted: str) -> pa.Table:
        """Of one kind, with these values; in no particular order."""
        parts = []
        for file, rides in self.sources:
            all_count = rides is None or rides == self.covered
            needed = list(columns) if all_count else list(dict.fromkeys([*columns, *KEY_COLUMNS]))
            table = file.rows(row, needed, wanted)
            parts.append(
                (table if all_count else of_rides(table, pa.array(sorted(rides or ()), pa.string()))).select(
                    list(columns)
                )
            )
        return pa.concat_tables(parts) if parts else no_rows(columns)
