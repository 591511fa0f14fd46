"""From a recording on a disk to a pack beside it, whole or not at all; never replaces another file."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from analysis.amendments import amend_path
from analysis.characteristics.registry import DECODER_VERSION
from analysis.errors import BadInput, BadRecording
from analysis.pack.archive_form import archive_bytes
from analysis.pack.ledger_word import ledger_standing
from analysis.pack.members import amendments_member, made_pack, recording_member
from analysis.pack.objection import Objection
from analysis.pack.original_files import read_originals
from analysis.pack.terms import LedgerStanding, Terms, made_with
from analysis.pack.verify import LARGEST_BYTES
from analysis.recording_reader import read_metadata, read_recording
from analysis.safe_text import safe_text
from analysis.version import product_version

ENDING = ".evidence.zip"


@dataclass(frozen=True)
class Packed:
    path: Path
    sha256: str
    size: int
    members: int
    objections: tuple[Objection, ...]


def pack_recording(
    recording: Path,
    out: Path | None = None,
    reference: str | None = None,
    ledger: str | None = None,
    original_files: Sequence[Path] = (),
) -> Packed:
    """:raises WattproofError: one sentence; then nothing was written."""
    metadata = read_metadata(recording)
    originals, contents = read_originals(original_files, metadata)
    content, amendments = _read(recording), _read_amendments(recording)
    member = recording_member(recording.name)
    terms = Terms(
        product_version=product_version(),
        decoder_version=DECODER_VERSION,
        made_with=made_with(),
        recording=member,
        amendments=None if amendments is None else amendments_member(member),
        reference_asked=reference,
        standing=None if ledger is None else _standing(recording, reference, ledger),
        ledger_asked=ledger is not None,
        originals=originals,
    )
    made = made_pack(terms, content, amendments, contents)
    archive = archive_bytes(made.members)
    if len(archive) > LARGEST_BYTES:
        raise BadInput("the pack would be larger than 1 GiB; leave out the original files.")
    path = recording.with_suffix("").with_name(recording.stem + ENDING) if out is None else out
    _write(path, archive)
    return Packed(path, sha256(archive).hexdigest(), len(archive), len(made.members), made.objections)


def _standing(recording: Path, reference: str | None, ledger: str) -> LedgerStanding | None:
    bench = read_recording(recording).bench
    chosen = reference or (bench.reference.name if bench.reference is not None else None)
    unit = next((m.unit for m in bench.meter if m.name == chosen), None)
    return None if unit is None else ledger_standing(ledger, unit)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as fault:
        raise BadRecording(f"{safe_text(str(path), 200)} cannot be read: {fault.strerror}.") from fault


def _read_amendments(recording: Path) -> bytes | None:
    path = amend_path(recording)
    return _read(path) if path.exists() else None


def _write(path: Path, archive: bytes) -> None:
    shown = safe_text(str(path), 200)
    try:
        if path.exists():
            if path.is_file() and path.read_bytes() == archive:
                return
            raise BadInput(
                f"{shown} exists and holds something else; move it away, or choose another name with --out."
            )
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        try:
            beside.write_bytes(archive)
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as fault:
        raise BadInput(f"the pack cannot be written to {shown}: {fault.strerror}.") from fault
