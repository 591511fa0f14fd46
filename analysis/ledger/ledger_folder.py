"""The folder of a ledger, on a disk or elsewhere: recordings with their fingerprint, results, and the index of them.

Every file is written beside and renamed, and none but the index is ever replaced by another content.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa
from pyarrow.fs import FileSelector, FileSystem, FileType, LocalFileSystem, SubTreeFileSystem

from analysis.errors import BadInput
from analysis.ledger.ledger_index import DamagedResults, NotOurs, ResultsFile, of_rides, write_index, write_results
from analysis.ledger.one_writer import one_writer
from analysis.ledger.segment_results import RIDE, SCHEMA
from analysis.safe_text import file_slug, safe_text

RECORDINGS, RESULTS, UNFINISHED, INDEX = "recordings", "results", "unfinished", "index.parquet"
# Each ride beside the index costs every question a file more; each renewal costs the writer all of it again.
MOST_BESIDE_INDEX, SHARE_BESIDE_INDEX = 32, 500
_FINGERPRINT = re.compile(r"\.([0-9a-f]{16})\.parquet")
_DIGEST = re.compile(r"([0-9a-f]{64})\.parquet")
_PIECE = 1 << 20


@dataclass(frozen=True)
class LedgerFolder:
    """`files` is rooted at the ledger; `root` is the same place on this machine's disk, None where it is not."""

    files: FileSystem
    root: Path | None = None

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the ledger for writing. Elsewhere than on a disk nothing can be held, and nothing needs to be:

        files are named by what is in them, and an index that lacks some costs time only.
        """
        for name in (RECORDINGS, RESULTS, UNFINISHED):
            self.files.create_dir(name)
        if self.root is None:
            yield
            return
        with one_writer(self.root):
            for name in self._names(UNFINISHED):  # of a writer that died
                self.files.delete_file(f"{UNFINISHED}/{name}")
            yield

    def recording_names(self) -> list[str]:
        return sorted(n for n in self._names(RECORDINGS) if n.endswith(".parquet"))

    def digests(self) -> frozenset[str]:
        """Of the recordings that have results."""
        return frozenset(m[1] for n in self._names(RESULTS) if (m := _DIGEST.fullmatch(n)))

    def put_recording(self, source: Path, sha256: str) -> None:
        """Copy it in and read it back. :raises BadInput: where the copy is not what was read before."""
        name = recording_name(source, sha256)

        def copy(out: Any) -> None:
            with source.open("rb") as data:
                shutil.copyfileobj(data, out, _PIECE)

        self._put(f"{RECORDINGS}/{name}", copy, sha256)

    def put_results(self, sha256: str, table: pa.Table) -> None:
        self._put(f"{RESULTS}/{sha256}.parquet", lambda out: write_results(table, out))

    def remove_results(self, sha256: str) -> None:
        self.files.delete_file(f"{RESULTS}/{sha256}.parquet")

    def write_index(self, snapshot: Snapshot) -> None:
        self._put(INDEX, lambda out: write_index(snapshot.sources, out))

    def sha256_of(self, name: str) -> str:
        """Of a recording as it is now."""
        return self._sha256(f"{RECORDINGS}/{name}")

    def results_file(self, sha256: str) -> ResultsFile:
        """:raises NotOurs:, OSError, pa.ArrowException: where it cannot be read."""
        return ResultsFile(self.files.open_input_file(f"{RESULTS}/{sha256}.parquet"))

    def snapshot(self) -> Snapshot:
        """What is there now; a writer who comes later does not change it."""
        # The index first: what it lacks is then surely in the list.
        index = self._index()
        return Snapshot(self, index, self.digests())

    @contextlib.contextmanager
    def local_copy(self, name: str) -> Iterator[Path]:
        """A recording as a file on this machine."""
        if self.root is not None:
            yield self.root / RECORDINGS / name
            return
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / name
            with path.open("wb") as out, self.files.open_input_stream(f"{RECORDINGS}/{name}") as data:
                shutil.copyfileobj(data, out, _PIECE)
            yield path

    def _index(self) -> ResultsFile | None:
        try:
            return ResultsFile(self.files.open_input_file(INDEX))
        except (OSError, NotOurs, pa.ArrowException):
            return None

    def _names(self, folder: str) -> list[str]:
        if self.root is not None:  # several times as fast, where there are very many
            with contextlib.suppress(FileNotFoundError), os.scandir(self.root / folder) as entries:
                return [entry.name for entry in entries]
            return []
        found = self.files.get_file_info(FileSelector(folder, allow_not_found=True))
        return [info.base_name for info in found if info.type == FileType.File]

    def _put(self, name: str, write: Callable[[Any], None], sha256: str | None = None) -> None:
        beside = f"{UNFINISHED}/{secrets.token_hex(8)}"
        with self.files.open_output_stream(beside) as out:
            write(out)
        if self.root is not None:
            self._put_on_disk(self.root / beside)
        if sha256 is not None and self._sha256(beside) != sha256:
            self.files.delete_file(beside)
            raise BadInput(f"{safe_text(name, 200)} changed while it was copied; add it again when it is finished.")
        self.files.move(beside, name)
        if self.root is not None:
            self._put_on_disk((self.root / name).parent)

    def _put_on_disk(self, path: Path) -> None:
        """As far as the system offers that for such a path."""
        with contextlib.suppress(OSError):
            descriptor = os.open(path, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)

    def _sha256(self, name: str) -> str:
        digest = hashlib.sha256()
        with self.files.open_input_stream(name) as data:
            while piece := data.read(_PIECE):
                digest.update(piece)
        return digest.hexdigest()


@dataclass(frozen=True)
class Snapshot:
    """The results of all rides at one moment, from the index and from the files that it lacks."""

    folder: LedgerFolder
    index: ResultsFile | None
    digests: frozenset[str]

    @cached_property
    def covered(self) -> frozenset[str]:
        if self.index is None:
            return frozenset()
        try:
            return frozenset(self.index.rows(RIDE, ["sha256"])["sha256"].to_pylist())
        except DamagedResults:  # a damaged index is as good as none
            return frozenset()

    @cached_property
    def _opened(self) -> tuple[tuple[tuple[str, ResultsFile], ...], tuple[str, ...]]:
        opened, unreadable = [], []
        for sha256 in sorted(self.digests - self.covered):
            try:
                opened.append((sha256, self.folder.results_file(sha256)))
            except (OSError, NotOurs, pa.ArrowException):
                unreadable.append(sha256)
        return tuple(opened), tuple(unreadable)

    @property
    def beside(self) -> int:
        """How many rides are read from files of their own."""
        return len(self._opened[0])

    @property
    def unreadable(self) -> tuple[str, ...]:
        """Digests of recordings whose results are damaged, or of another version."""
        return self._opened[1]

    @cached_property
    def sources(self) -> tuple[tuple[ResultsFile, frozenset[str] | None], ...]:
        """Every file, and of the index the rides that still count."""
        own = [(file, None) for _, file in self._opened[0]]
        if self.index is None or not self.covered:
            return tuple(own)
        return ((self.index, self.covered & self.digests), *own)

    def rows(self, row: str, columns: Sequence[str], **wanted: str) -> pa.Table:
        """Of one kind, with these values; in no particular order."""
        parts = []
        for file, rides in self.sources:
            all_count = rides is None or rides == self.covered
            needed = list(columns) if all_count else [*columns, *({"sha256"} - set(columns))]
            table = file.rows(row, needed, wanted)
            parts.append(
                (table if all_count else of_rides(table, pa.array(sorted(rides or ()), pa.string()))).select(
                    list(columns)
                )
            )
        return pa.concat_tables(parts) if parts else _nothing(columns)


def _nothing(columns: Sequence[str]) -> pa.Table:
    return pa.schema([SCHEMA.field(name) for name in columns]).empty_table()


def recording_name(source: Path, sha256: str) -> str:
    """In a ledger: as it was called, with the start of its digest."""
    return f"{file_slug(source.stem)}.{sha256[:16]}.parquet"


def fingerprint_in(name: str) -> str | None:
    """The start of the digest that a recording in a ledger carries in its name."""
    found = _FINGERPRINT.search(name)
    return found[1] if found and name.endswith(found[0]) else None


def open_ledger(place: str, *, make: bool = False) -> LedgerFolder:
    """A folder, or the address of one on an object store that pyarrow knows.

    :raises BadInput: where it cannot be reached, or is not there and shall not be made.
    """
    try:
        if "://" in place:
            files, path = FileSystem.from_uri(place)
            return LedgerFolder(SubTreeFileSystem(path, files))
        root = Path(place)
        if make:
            root.mkdir(parents=True, exist_ok=True)
        elif not (root / RESULTS).is_dir() and not (root / RECORDINGS).is_dir():
            raise BadInput(
                f"there is no ledger in {safe_text(place, 200)}; `wattproof ledger add` makes one, "
                "--ledger names another."
            )
        return LedgerFolder(SubTreeFileSystem(str(root.resolve()), LocalFileSystem()), root)
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise BadInput(
            f"the ledger {safe_text(place, 200)} cannot be opened: {safe_text(str(fault), 120)}."
        ) from fault
