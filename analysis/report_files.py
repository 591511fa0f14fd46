"""Writes page and tables into a folder, each file whole or not at all; replaces only what an earlier report left."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.errors import BadInput
from analysis.joined_ride import ride_parts
from analysis.judge import Judged
from analysis.recording_reader import Recording, file_sha256
from analysis.report_page.page import GENERATOR, report_page
from analysis.report_tables import MARK, csv_bytes, parquet_bytes, recordings_table, report_tables
from analysis.safe_text import safe_path
from analysis.version import product_version

PAGE = "report.html"


def write_report(folder: Path, recording: Recording, judged: Judged) -> tuple[Path, ...]:
    """Returns what was written, the page first.

    :raises BadInput: where a recording cannot be read again, or the folder cannot be written, or holds a file of such
        a name that is not ours.
    """
    parts = ride_parts(recording)
    digests = [_digest(part.recording.path) for part in parts]
    contents = {PAGE: report_page(recording, judged, *digests).encode()}
    about = {MARK: product_version().encode(), b"recording_sha256": " ".join(digests).encode()}
    for name, table in {**report_tables(judged), "recordings": recordings_table(parts, digests)}.items():
        contents[f"{name}.csv"] = csv_bytes(table)
        contents[f"{name}.parquet"] = parquet_bytes(table, about)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            _refuse_foreign(folder / name, content)
        for name, content in contents.items():
            beside = folder / f".{name}.tmp"
            beside.write_bytes(content)
            beside.replace(folder / name)
    except (FileExistsError, NotADirectoryError) as fault:
        raise BadInput(f"{safe_path(folder)} is no folder; a report cannot be written there.") from fault
    except OSError as fault:
        raise BadInput(f"the report cannot be written to {safe_path(folder)}: {fault.strerror}.") from fault
    return tuple(folder / name for name in contents)


def _digest(path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError as fault:
        raise BadInput(f"{safe_path(path)} cannot be read again: {fault.strerror}; nothing was written.") from fault


def _refuse_foreign(path: Path, content: bytes) -> None:
    if path.is_symlink() or (path.exists() and not _ours(path, content)):
        raise BadInput(
            f"{safe_path(path)} exists and is not from a report; move it away, or choose another folder with --out."
        )


def _ours(path: Path, content: bytes) -> bool:
    if not path.is_file():
        return False
    if path.suffix == ".parquet":
        return _has_mark(path)
    with path.open("rb") as file:
        start = file.read(4096)
    if path.suffix == ".html":
        return GENERATOR.encode() in start
    # A table of ours starts with the same two columns, whatever a version added behind.
    return start.split(b"\r\n")[0].split(b",")[:2] == content.split(b"\r\n", 1)[0].split(b",")[:2]


def _has_mark(path: Path) -> bool:
    try:
        return MARK in (pq.read_schema(path).metadata or {})
    except pa.ArrowException:
        return False
