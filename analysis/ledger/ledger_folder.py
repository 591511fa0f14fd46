"""The folder of a ledger, on a disk or elsewhere: recordings with their amendments, results, and the index of them.

Every file is written beside and renamed, and none but amendments and index is ever replaced by another content.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
from pyarrow.fs import FileSelector, FileSystem, FileType, LocalFileSystem, SubTreeFileSystem

from analysis.amendments import amend_path
from analysis.errors import BadInput
from analysis.ledger.ledger_index import NotOurs, ResultsFile, write_index, write_results
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.one_writer import one_writer
from analysis.ledger.results_schema import recording_of, results_key
from analysis.safe_text import file_slug, safe_text

RECORDINGS, RESULTS, UNFINISHED, INDEX = "recordings", "results", "unfinished", "index.parquet"
# Each ride beside the index costs every question a file more; each renewal costs the writer all of it again.
MOST_BESIDE_INDEX, SHARE_BESIDE_INDEX = 32, 500
_FINGERPRINT = re.compile(r"\.([0-9a-f]{16})\.parquet")
_KEY = re.compile(r"([0-9a-f]{64}(?:-[0-9a-f]{64})?)\.parquet")
_PIECE = 1 << 20


@dataclass(frozen=True)
class LedgerFolder:
    """`files` is rooted at the ledger; `root` is the same place on this machine's disk, None where it is not."""

    files: FileSystem
    root: Path | None = None

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the ledger for writing.

        Elsewhere than on a disk nothing can be held, and nothing needs to be: files are named by what is in them, and
        an index that lacks some costs time only.
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

    def name_for(self, source: Path, sha256: str) -> str:
        """What this recording is called in the ledger, or would be, were it put there."""
        known = (n for n in self.recording_names() if fingerprint_in(n) == sha256[:16])
        return next(known, recording_name(source, sha256))

    def keys(self) -> frozenset[str]:
        """Of all results that there are (`results_key`)."""
        return frozenset(m[1] for n in self._names(RESULTS) if (m := _KEY.fullmatch(n)))

    def put_recording(self, source: Path, sha256: str, name: str) -> None:
        """Copy it in and read it back. :raises BadInput: where the copy is not what was read before."""
        self._copy(source, f"{RECORDINGS}/{name}", sha256)

    def put_amendments(self, source: Path, sha256: str, name: str) -> None:
        """Beside the recording of that name, in place of those that were there; else as `put_recording`."""
        self._copy(source, f"{RECORDINGS}/{_amendments_name(name)}", sha256)

    def amendments_sha256(self, name: str) -> str | None:
        """Of what is kept beside the recording of that name; None where nothing is."""
        path = f"{RECORDINGS}/{_amendments_name(name)}"
        there: Any = self.files.get_file_info(path)
        return self._sha256(path) if there.type == FileType.File else None

    def put_results(self, key: str, table: pa.Table) -> None:
        self._put(f"{RESULTS}/{key}.parquet", lambda out: write_results(table, out))

    def remove_results(self, key: str) -> None:
        self.files.delete_file(f"{RESULTS}/{key}.parquet")

    def write_index(self, snapshot: Snapshot) -> None:
        self._put(INDEX, lambda out: write_index(snapshot.sources, out))

    def sha256_of(self, name: str) -> str:
        """Of a recording as it is now."""
        return self._sha256(f"{RECORDINGS}/{name}")

    def results_file(self, key: str) -> ResultsFile:
        """:raises NotOurs:, OSError, pa.ArrowException: where it cannot be read."""
        return ResultsFile(self.files.open_input_file(f"{RESULTS}/{key}.parquet"))

    def snapshot(self) -> Snapshot:
        """What is there now; a writer who comes later does not change it."""
        # The index first: what it lacks is then surely in the list.
        index = self._index()
        return Snapshot(self.results_file, index, self._counting(self.keys()))

    @contextlib.contextmanager
    def local_copy(self, name: str) -> Iterator[Path]:
        """A recording as a file on this machine, with its amendments beside it."""
        if self.root is not None:
            yield self.root / RECORDINGS / name
            return
        amended = [_amendments_name(name)] if self.amendments_sha256(name) is not None else []
        with tempfile.TemporaryDirectory() as folder:
            for each in (name, *amended):
                with (
                    (Path(folder) / each).open("wb") as out,
                    self.files.open_input_stream(f"{RECORDINGS}/{each}") as data,
                ):
                    shutil.copyfileobj(data, out, _PIECE)
            yield Path(folder) / name

    def _counting(self, keys: frozenset[str]) -> frozenset[str]:
        """One of each recording.

        A writer that puts new amendments in place of others may die before it has removed the older results: those
        that fit the amendments count.
        """
        counts = Counter(recording_of(key) for key in keys)
        twice = {sha256 for sha256, count in counts.items() if count > 1}
        if not twice:
            return keys
        names = {n: sha256 for n in self.recording_names() for sha256 in twice if fingerprint_in(n) == sha256[:16]}
        fitting = {results_key(sha256, self.amendments_sha256(name)) for name, sha256 in names.items()}
        found = {key for key in keys if recording_of(key) not in twice}
        for sha256 in twice:
            rivals = sorted(key for key in keys if recording_of(key) == sha256)
            found.add(next((key for key in rivals if key in fitting), rivals[-1]))
        return frozenset(found)

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

    def _copy(self, source: Path, name: str, sha256: str) -> None:
        def copy(out: Any) -> None:
            with source.open("rb") as data:
                shutil.copyfileobj(data, out, _PIECE)

        self._put(name, copy, sha256)

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


def recording_name(source: Path, sha256: str) -> str:
    """In a ledger: as it was called, with the start of its digest."""
    return f"{file_slug(source.stem)}.{sha256[:16]}.parquet"


def _amendments_name(recording: str) -> str:
    return amend_path(Path(recording)).name


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
