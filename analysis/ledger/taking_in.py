"""Takes recordings into a ledger: checked, judged, copied; and makes results and index anew from what is in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import pyarrow as pa

from analysis.amendments import amend_path
from analysis.errors import BadInput, WattproofError
from analysis.judge import judge_recording
from analysis.ledger.ledger_folder import MOST_BESIDE_INDEX, SHARE_BESIDE_INDEX, LedgerFolder, fingerprint_in
from analysis.ledger.ledger_index import DamagedResults, NotOurs
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.results_schema import METER, PRODUCT_KEY, RESULTS_KEY, RIDE, SCHEMA, results_key
from analysis.ledger.segment_results import segment_results
from analysis.plain_text import counted
from analysis.recording_reader import file_sha256, read_recording
from analysis.safe_text import safe_path, safe_text

State = Literal["added", "amended", "already there", "other file of a known session", "serial changed", "not usable"]
GOOD_STATES: frozenset[State] = frozenset({"added", "amended", "already there"})


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
    """Judge and keep it, with the amendments beside it. The files themselves stay where they are.

    Whatever speaks against it is in the result.
    """
    shown = safe_path(path)
    try:
        sha256 = _digest(path)
        table = judged_table(path, sha256, folder.name_for(path, sha256))
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
                key = results_key(sha256, folder.amendments_sha256(name))
                table = _results(folder, key)
                if table is None:
                    with folder.local_copy(name) as path:
                        table = judged_table(path, sha256, name)
                    key = _key_of(table)
                    folder.put_results(key, table)
                    judged += 1
                session = table["session"][0].as_py()
                if session in sessions:
                    raise BadInput(f"{name} is of session {session}, of which another file is there already")
                kept.add(key)
                sessions.add(session)
            except (WattproofError, OSError) as fault:
                skipped.append((name, str(fault)))
        for key in folder.keys() - kept:
            folder.remove_results(key)
        folder.write_index(replace(folder.snapshot(), index=None))
    return Rebuilt(len(kept), judged, tuple(skipped))


def judged_table(path: Path, sha256: str, name: str) -> pa.Table:
    """:raises WattproofError: where it cannot be read or judged, or does not fit into a ledger."""
    recording = read_recording(path)
    units = [m.unit for m in recording.bench.meter if m.unit]
    twice = next((u for u in units if units.count(u) > 1), None)
    if twice is not None:
        raise BadInput(f"{safe_path(path)}: its bench file gives the unit {safe_text(twice)} to two meters.")
    try:
        return segment_results(recording, judge_recording(recording), sha256, name)
    except (pa.ArrowException, OverflowError) as fault:
        raise BadInput(f"{safe_path(path)} has figures that no table can hold: {fault}.") from fault


def _digest(path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError as fault:
        raise BadInput(f"{safe_path(path)} cannot be read: {fault.strerror}.") from fault


def _checked_digest(folder: LedgerFolder, name: str) -> str:
    fingerprint, sha256 = fingerprint_in(name), folder.sha256_of(name)
    if fingerprint is None:
        raise BadInput(f"{name} has no fingerprint in its name; it was not taken in by `wattproof ledger add`")
    if not sha256.startswith(fingerprint):
        raise BadInput(f"{name} is damaged: its SHA-256 is not that of its name; add a good copy")
    return sha256


def _key_of(table: pa.Table) -> str:
    return results_key(table["sha256"][0].as_py(), table["amendments_sha256"][0].as_py())


def _results(folder: LedgerFolder, key: str) -> pa.Table | None:
    """None where they are missing, damaged, or made by another version."""
    try:
        file = folder.results_file(key)
        if any(file.about.get(version) != SCHEMA.metadata[version] for version in (PRODUCT_KEY, RESULTS_KEY)):
            return None
        # All of it: what is damaged must be found now, and not when the index is made of it.
        table = file.all()
    except (OSError, NotOurs, DamagedResults, pa.ArrowException):
        return None
    rides = table.filter(pa.compute.equal(table["row"], RIDE))
    return rides if rides.num_rows else None


def _put(folder: LedgerFolder, path: Path, sha256: str, table: pa.Table, accept_serial: bool) -> Added:
    shown, snapshot = safe_path(path), folder.snapshot()
    session = table["session"][0].as_py()
    units = tuple(u for u in dict.fromkeys(table["unit"].to_pylist()) if u)
    known = snapshot.key_of(sha256)
    if known is not None and known != _key_of(table):
        return Added(shown, *_put_amended(folder, path, known, table, snapshot), session, units)
    if known is not None:
        return Added(shown, "already there", f"{shown} is in the ledger already.", session, units)
    if snapshot.rows(RIDE, ["session"], session=session).num_rows:
        words = f"{shown} is not added: another file of session {session} is in the ledger; its results stand."
        return Added(shown, "other file of a known session", words, session, units)
    if not accept_serial and (changed := _changed_identity(snapshot, table)) is not None:
        words = f"{shown} is not added: {changed}; if it is the same unit, add it with --accept-serial."
        return Added(shown, "serial changed", words, session, units)
    table = _put_whole(folder, path, sha256, table)
    nameless = [m for m, u in zip(table["meter"].to_pylist(), table["unit"].to_pylist(), strict=True) if m and not u]
    about = (
        f" ({', '.join(dict.fromkeys(nameless))} without `unit` in the bench file: not followed)" if nameless else ""
    )
    changes = len(_changes(table))
    amended = f", with {counted(changes, 'amendment')}" if changes else ""
    return Added(shown, "added", f"{shown} is added{amended}{about}.", session, units)


def _put_whole(folder: LedgerFolder, path: Path, sha256: str, table: pa.Table) -> pa.Table:
    """The results make it count, so they come last: a crash in between leaves copies that a rebuild takes up.

    Returns the results: made again where a crash, or damage, has left amendments that do not lie beside `path`.
    """
    name, amendments = table["recording"][0].as_py(), table["amendments_sha256"][0].as_py()
    if amendments is not None:
        folder.put_amendments(amend_path(path), amendments, name)
    folder.put_recording(path, sha256, name)
    if amendments is None and folder.amendments_sha256(name) is not None:
        with folder.local_copy(name) as kept:
            table = judged_table(kept, sha256, name)
    folder.put_results(_key_of(table), table)
    return table


def _put_amended(
    folder: LedgerFolder, path: Path, known: str, table: pa.Table, snapshot: Snapshot
) -> tuple[State, str]:
    """Make the results new where the amendments changed.

    Amendments are only ever added to: where a file has none beside it, those of the ledger stand.
    """
    shown, name = safe_path(path), table["recording"][0].as_py()
    amendments = table["amendments_sha256"][0].as_py()
    if amendments is None:
        words = f"{shown} is in the ledger already, with amendments; none lie beside this file, so those stand."
        return "already there", words
    session = table["session"][0].as_py()
    before, now = _changes(snapshot.rows(RIDE, ["amendments"], session=session)), _changes(table)
    # In this order: until the older results are gone, those count that fit the amendments.
    folder.put_amendments(amend_path(path), amendments, name)
    folder.put_results(_key_of(table), table)
    folder.remove_results(known)
    words = f"{shown} is in the ledger already; its amendments changed, and its results were made anew "
    words += f"({counted(len(now), 'change')}, {len(before)} before)."
    if now[: len(before)] != before:
        words += " Of the changes kept before, some are not there any more."
    return "amended", words


def _changes(table: pa.Table) -> list[str]:
    """Of results, or of the row of the ride."""
    found: list[str] = (table["amendments"].to_pylist()[:1] or [None])[0] or []
    return found


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
