"""Finishing what was interrupted: from the journals left in a folder to Parquet files, and what was lost."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import msgspec

from analysis.recording_schema import Finish, Metadata, metadata_from_dict
from analysis.rows import Event, Row
from recorder.errors import JournalDamaged
from recorder.journal import JournalContents
from recorder.journal_segments import journal_segments, load_segments, retire
from recorder.recording_writer import holds_the_same, write_recording
from recorder.storage import Storage

JOURNAL_SUFFIX = ".journal"
# Where a recording goes on when its own folder fails it; looked into when journals are gathered.
FALLBACK_FOLDERS = (Path(tempfile.gettempdir()),)


@dataclass(frozen=True)
class Recovered:
    """One interrupted ride that is now a file. `lost_s`: per sensor, how long before the end it was last heard."""

    recording: Path
    seconds: float
    rows: int
    damaged_records: int
    missing_records: int
    lost_s: dict[str, float]
    clean: bool

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "recording": str(self.recording)}

    def in_words(self) -> str:
        minutes, seconds = divmod(round(self.seconds), 60)
        if self.clean:
            return f"{self.recording.name}: had been ended properly, is finished now ({minutes} min {seconds:02d} s)."
        lost = ", ".join(f"{name} {s:.1f} s" for name, s in self.lost_s.items() if s >= 0.1) or "none"
        return (
            f"{self.recording.name}: was not ended properly; {minutes} min {seconds:02d} s recovered, "
            f"{self.rows} rows, {self.damaged_records + self.missing_records} records damaged; "
            f"silent before the end: {lost}."
        )


def recover_folder(folder: Path, storage: Storage) -> list[Recovered]:
    """Finish every journal in the folder, which the caller must have locked.

    :raises JournalDamaged: for a journal of which nothing can be read; it is left as it is.
    :raises FinishFailed: where a file could not be written; its journal is left as it is.
    """
    found = sorted(folder.glob(f"*{JOURNAL_SUFFIX}"))
    return [recover_journal(journal_segments(path, *FALLBACK_FOLDERS), storage) for path in found]


def recover_journal(segments: Sequence[Path], storage: Storage) -> Recovered:
    """As `recover_folder`, for one journal given by all its files; the Parquet file is put beside the first."""
    first = segments[0]
    contents = load_segments(segments)
    metadata, rows, lost_s = _recovered_parts(first, contents)
    target = first.with_name(first.name.removesuffix(JOURNAL_SUFFIX) + ".parquet")
    # Killed between the rename and the retiring of the journal: the file is there already, and whole.
    if not (target.exists() and holds_the_same(target, rows)):
        target = _free_name(target)
        write_recording(target, rows, metadata, storage)
    retire(storage, segments)
    return Recovered(
        recording=target,
        seconds=rows[-1].host_ns / 1e9 if rows else 0.0,
        rows=len(rows),
        damaged_records=len(contents.damaged),
        missing_records=contents.missing_count,
        lost_s=lost_s,
        clean=contents.end is not None,
    )


def finished_metadata(contents_metadata: dict[str, Any], rows: list[Row], finish: Finish) -> Metadata:
    """The journal's metadata as the recording's: anchors in order, totals counted from the rows themselves."""
    table = dict(contents_metadata)
    anchors = table.get("utc_anchors", {})
    table["utc_anchors"] = sorted((int(host_ns), int(utc_ns)) for host_ns, utc_ns in anchors.items())
    totals: dict[str, int] = {}
    for row in rows:
        if row.sensor is not None and row.row_kind != "event":
            totals[row.sensor] = totals.get(row.sensor, 0) + 1
    table["rows_per_sensor"] = totals
    table["finish"] = msgspec.to_builtins(finish)
    return metadata_from_dict(table)


def _recovered_parts(path: Path, contents: JournalContents) -> tuple[Metadata, list[Row], dict[str, float]]:
    rows = list(contents.rows)
    end_ns = max((row.host_ns for row in rows), default=0)
    last_ns: dict[str, int] = {}
    for row in rows:
        if row.sensor is not None and row.row_kind != "event":
            last_ns[row.sensor] = row.host_ns
    lost_s = {name: round((end_ns - last) / 1e9, 3) for name, last in last_ns.items()}
    damaged = len(contents.damaged)
    if contents.end is None:
        detail = {"lost_s": lost_s, "damaged_records": damaged, "missing_records": contents.missing_count}
        rows.append(Row(end_ns, "event", event=Event.RECOVERED, detail=detail))
    finish = Finish(
        clean=contents.end is not None,
        reason="recovered" if contents.end is None else str(contents.end.get("reason", "recovered")),
        damaged_records=damaged,
        missing_records=contents.missing_count,
        lost_s=lost_s if contents.end is None else {},
    )
    try:
        return finished_metadata(contents.metadata, rows, finish), rows, lost_s
    except (msgspec.MsgspecError, ValueError, TypeError, AttributeError) as fault:
        raise JournalDamaged(f"the header of {path} cannot be read ({fault}); it is left as it is.") from fault


def _free_name(target: Path) -> Path:
    """The name itself, or with a number behind it: nothing is ever overwritten."""
    number, free = 1, target
    while free.exists():
        number += 1
        free = target.with_name(f"{target.stem}-{number}.parquet")
    return free
