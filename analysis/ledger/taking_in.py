"""Takes recordings into a ledger: checked, judged, copied; and makes results and index anew from what is in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import pyarrow as pa

from analysis.errors import BadInput, WattproofError
from analysis.judge import judge_recording
from analysis.ledger.ledger_folder import (
    MOST_BESIDE_INDEX,
    SHARE_BESIDE_INDEX,
    LedgerFolder,
    Snapshot,
    fingerprint_in,
    recording_name,
)
from analysis.ledger.ledger_index import DamagedResults, NotOurs
from analysis.ledger.segment_results import METER, PRODUCT_KEY, RIDE, SCHEMA, segment_results
from analysis.recording_reader import read_recording
from analysis.report_page.facts import file_sha256
from analysis.safe_text import safe_text

State = Literal["added", "already there", "other file of a known session", "serial changed", "not usable"]


@dataclass(frozen=True)
class Added:
    """What became of one file; `words` is a whole sentence."""

    file: str
    state: State
    words: str
    session: str | None = None
    units: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rebuilt:
    """`skipped`: name and reason of every recording that could not be taken."""

    rides: int
    judged: int
    skipped: tuple[tuple[str, str], ...]


def add_recording(folder: LedgerFolder, path: Path, *, accept_serial: bool = False) -> Added:
    """Judge and keep it. The file itself stays where it is. Whatever speaks against it is in the result."""
    shown = safe_text(str(path), 200)
    try:
        sha256 = _digest(path)
        table = judged_table(path, sha256, recording_name(path, sha256))
        with folder.writing():
            return _put(folder, path, sha256, table, accept_serial)
    except WattproofError as fault:
        return Added(shown, "not usable", str(fault))


def finish_adding(folder: LedgerFolder) -> None:
    """Renew the index where many rides stand beside it."""
    with folder.writing():
        snapshot = folder.snapshot()
        if snapshot.beside > max(MOST_BESIDE_INDEX, len(snapshot.covered) // SHARE_BESIDE_INDEX):
            folder.write_index(snapshot)


def rebuild(folder: LedgerFolder) -> Rebuilt:
    """Check every recording against its fingerprint, judge those whose results are missing or of another version."""
    judged, skipped, kept, sessions = 0, [], set[str](), set[str]()
    with folder.writing():
        for name in folder.recording_names():
            try:
                sha256 = _checked_digest(folder, name)
                table = _results(folder, sha256)
                if table is None:
                    with folder.local_copy(name) as path:
                        table = judged_table(path, sha256, name)
                    folder.put_results(sha256, table)
                    judged += 1
                session = table["session"][0].as_py()
                if session in sessions:
                    raise BadInput(f"{name} is of session {session}, of which another file is there already")
                kept.add(sha256)
                sessions.add(session)
            except (WattproofError, OSError) as fault:
                skipped.append((name, str(fault)))
        for sha256 in folder.digests() - kept:
            folder.remove_results(sha256)
        folder.write_index(replace(folder.snapshot(), index=None))
    return Rebuilt(len(kept), judged, tuple(skipped))


def judged_table(path: Path, sha256: str, name: str) -> pa.Table:
    """:raises WattproofError: where it cannot be read or judged, or does not fit into a ledger."""
    recording = read_recording(path)
    units = [m.unit for m in recording.bench.meter if m.unit]
    twice = next((u for u in units if units.count(u) > 1), None)
    if twice is not None:
        raise BadInput(
            f"{safe_text(str(path), 200)}: its bench file gives the unit {safe_text(twice)} to two meters."
        )
    try:
        return segment_results(recording, judge_recording(recording), sha256, name)
    except (pa.ArrowException, OverflowError) as fault:
        raise BadInput(f"{safe_text(str(path), 200)} has figures that no table can hold: {fault}.") from fault


def _digest(path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError as fault:
        raise BadInput(f"{safe_text(str(path), 200)} cannot be read: {fault.strerror}.") from fault


def _checked_digest(folder: LedgerFolder, name: str) -> str:
    fingerprint, sha256 = fingerprint_in(name), folder.sha256_of(name)
    if fingerprint is None:
        raise BadInput(f"{name} has no fingerprint in its name; it was not taken in by `wattproof ledger add`")
    if not sha256.startswith(fingerprint):
        raise BadInput(f"{name} is damaged: its SHA-256 is not that of its name; add a good copy")
    return sha256


def _results(folder: LedgerFolder, sha256: str) -> pa.Table | None:
    """None where they are missing, damaged, or made by another version."""
    try:
        file = folder.results_file(sha256)
        if file.about.get(PRODUCT_KEY) != SCHEMA.metadata[PRODUCT_KEY]:
            return None
        # All of it: what is damaged must be found now, and not when the index is made of it.
        table = file.all()
    except (OSError, NotOurs, DamagedResults, pa.ArrowException):
        return None
    rides = table.filter(pa.compute.equal(table["row"], RIDE))
    return rides if rides.num_rows else None


def _put(folder: LedgerFolder, path: Path, sha256: str, table: pa.Table, accept_serial: bool) -> Added:
    shown, snapshot = safe_text(str(path), 200), folder.snapshot()
    session = table["session"][0].as_py()
    units = tuple(u for u in dict.fromkeys(table["unit"].to_pylist()) if u)
    if sha256 in snapshot.digests - set(snapshot.unreadable):
        return Added(shown, "already there", f"{shown} is in the ledger already.", session, units)
    if snapshot.rows(RIDE, ["session"], session=session).num_rows:
        words = f"{shown} is not added: another file of session {session} is in the ledger; its results stand."
        return Added(shown, "other file of a known session", words, session, units)
    if not accept_serial and (changed := _changed_identity(snapshot, table)) is not None:
        words = f"{shown} is not added: {changed}; if it is the same unit, add it with --accept-serial."
        return Added(shown, "serial changed", words, session, units)
    # The results make it count, so they come last: a crash in between leaves a copy that a rebuild takes up.
    folder.put_recording(path, sha256)
    folder.put_results(sha256, table)
    nameless = [m for m, u in zip(table["meter"].to_pylist(), table["unit"].to_pylist(), strict=True) if m and not u]
    about = (
        f" ({', '.join(dict.fromkeys(nameless))} without `unit` in the bench file: not followed)" if nameless else ""
    )
    return Added(shown, "added", f"{shown} is added{about}.", session, units)


def _changed_identity(snapshot: Snapshot, table: pa.Table) -> str | None:
    for meter in table.filter(pa.compute.equal(table["row"], METER)).select(["unit", "serial", "model"]).to_pylist():
        if not meter["unit"]:
            continue
        known = snapshot.rows(METER, ["serial", "model"], unit=meter["unit"])
        for what in ("serial", "model"):
            before = [value for value in dict.fromkeys(known[what].to_pylist()) if value]
            if meter[what] and before and meter[what] not in before:
                return (
                    f"{meter['unit']} gives its {what} as {meter[what]}, and gave it as {' and '.join(before)} before"
                )
    return None
