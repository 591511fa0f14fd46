"""Finishing what was interrupted: from the journals left in a folder to Parquet files, and what was lost."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import msgspec

from analysis.plain_text import counted, minutes
from analysis.recording_schema import Finish, Metadata, metadata_from_dict
from analysis.rows import Event, Row
from recorder.errors import FinishFailed, JournalDamaged, RecorderError
from recorder.journal_replay import JournalContents
from recorder.journal_rows import JournalRows
from recorder.journal_segments import journal_segments, load_segments, retire, session_of
from recorder.recording_writer import holds_all, write_recording
from recorder.storage import Storage

JOURNAL_SUFFIX = ".journal"
# Where a recording goes on when its own folder fails it; looked into when journals are gathered.
FALLBACK_FOLDERS = (Path(tempfile.gettempdir()),)


@dataclass(frozen=True)
class Recovered:
    """One ride that is now a file. `lost_s`: per sensor, how long before the end it was last heard.

    `elsewhere_because`: why the file is not where it belongs, and its journal is kept; empty where all is well.
    """

    recording: Path
    seconds: float
    rows: int
    damaged_records: int
    missing_records: int
    lost_s: dict[str, float]
    clean: bool
    elsewhere_because: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "recording": str(self.recording)}

    def in_words(self) -> str:
        if self.clean:
            words = f"had been ended properly, is finished now ({minutes(self.seconds)}"
        else:
            words = f"was not ended properly; {minutes(self.seconds)} recovered ({self.rows} rows"
        silent = ", ".join(f"{name} {s:.1f} s" for name, s in self.lost_s.items() if s >= 0.1) or "none"
        return (
            f"{self.recording.name}: {words}, {self._damage_in_words()})"
            + ("" if self.clean else f"; silent before the end: {silent}")
            + "."
            + (f" It is in {self.recording.parent}: {self.elsewhere_because}" if self.elsewhere_because else "")
        )

    def troubles(self) -> list[str]:
        """What somebody has to know of whose ride has just come to its proper end; mostly nothing."""
        found = []
        if self.elsewhere_because:
            found.append(f"{self.elsewhere_because} A copy is in {self.recording.parent}.")
        if self.damaged_records or self.missing_records:
            found.append(f"the disk gave back less than it was given: {self._damage_in_words()}")
        return found

    def _damage_in_words(self) -> str:
        if not self.damaged_records and not self.missing_records:
            return "nothing damaged"
        return f"{counted(self.missing_records, 'record')} lost, {counted(self.damaged_records, 'place')} damaged"


@dataclass(frozen=True)
class FolderRecovery:
    """What became of the journals found; `left` has one sentence for each that is as it was."""

    recovered: tuple[Recovered, ...]
    left: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        return {"recovered": [r.as_dict() for r in self.recovered], "left": list(self.left)}


def recover_folder(folder: Path, storage: Storage) -> FolderRecovery:
    """Finish every journal in the folder, which the caller must have locked. One that cannot be is left as it is."""
    recovered: list[Recovered] = []
    left: list[str] = []
    for path in sorted(folder.glob(f"*{JOURNAL_SUFFIX}")):
        segments = journal_segments(path, *FALLBACK_FOLDERS)
        try:
            if _never_begun(segments):
                storage.unlink(path)
            else:
                recovered.append(recover_journal(segments, storage))
        except RecorderError as fault:
            left.append(str(fault))
        except Exception as fault:  # noqa: BLE001 - whatever is wrong with an old ride must not prevent the next one
            left.append(f"{path} cannot be finished ({type(fault).__name__}: {fault}); it is left as it is.")
    _remove_stray_ballast(folder, storage)
    return FolderRecovery(tuple(recovered), tuple(left))


def _never_begun(segments: Sequence[Path]) -> bool:
    """Killed between the making of the file and its first bytes, which are synced before any row."""
    return len(segments) == 1 and segments[0].stat().st_size == 0


def _remove_stray_ballast(folder: Path, storage: Storage) -> None:
    """Left by a recorder that was killed before its journal was there, or after it had been removed."""
    for ballast in folder.glob("*.ballast"):
        if not ballast.with_suffix(JOURNAL_SUFFIX).exists():
            with suppress(OSError):  # a quarter of a megabyte is no reason to fail
                storage.unlink(ballast)


def recover_journal(segments: Sequence[Path], storage: Storage) -> Recovered:
    """One journal, given by all files that may be of it; the Parquet file is put beside the first.

    Where that fails it is put beside a later one, and the whole journal is kept: that folder may be one which a
    restart empties, and the next recovery makes the file where it belongs.

    :raises JournalDamaged: where nothing of it can be read; it is left as it is.
    :raises FinishFailed: where the file could not be written; the journal is left as it is.
    """
    first = segments[0]
    own, contents = _loaded(segments)
    metadata, rows, lost_s = _recovered_parts(first, contents)
    name = first.name.removesuffix(JOURNAL_SUFFIX) + ".parquet"
    fault: FinishFailed | None = None
    for folder in dict.fromkeys(path.parent for path in own):
        target, is_there = _place_for(folder / name, contents)
        try:
            if not is_there:
                write_recording(target, rows, metadata, storage)
            break
        except FinishFailed as failure:
            fault = fault or failure
    else:
        raise fault or FinishFailed(f"{first} could not be finished; it is kept.")
    if fault is None:
        with suppress(OSError):  # the ride is safe; the next recovery finds the file and tries again
            retire(storage, own)
    return Recovered(
        recording=target,
        seconds=rows.end_ns / 1e9,
        rows=len(rows),
        damaged_records=len(contents.damaged),
        missing_records=contents.missing_count,
        lost_s=lost_s,
        clean=contents.end is not None,
        elsewhere_because="" if fault is None else str(fault),
    )


def _loaded(segments: Sequence[Path]) -> tuple[list[Path], JournalContents]:
    """The journal that begins with the first of these files, and which of them are of it.

    Several recorders may have moved to one fallback folder under one name; what is not ours must never be removed.
    """
    try:
        contents = load_segments(segments)
    except JournalDamaged as fault:
        raise JournalDamaged(f"{segments[0]}: {fault}; it is left as it is.") from fault
    except OSError as fault:
        raise JournalDamaged(f"{segments[0]} cannot be read ({fault.strerror}); it is left as it is.") from fault
    own = [path for path in segments if path == segments[0] or session_of(path) == contents.session_id]
    return own, contents


def _finished_metadata(contents: JournalContents, sums: dict[str, tuple[int, int]], finish: Finish) -> Metadata:
    """The journal's metadata as the recording's: anchors in order, totals counted from the rows themselves."""
    table = dict(contents.metadata)
    anchors = table.get("utc_anchors", {})
    table["utc_anchors"] = sorted((int(host_ns), int(utc_ns)) for host_ns, utc_ns in anchors.items())
    table["rows_per_sensor"] = {name: count for name, (count, _) in sums.items()}
    table["finish"] = msgspec.to_builtins(finish)
    return metadata_from_dict(table)


def _recovered_parts(path: Path, contents: JournalContents) -> tuple[Metadata, JournalRows, dict[str, float]]:
    rows = contents.rows.in_time()
    sums = contents.rows.by_sensor()
    lost_s = {name: round((rows.end_ns - last_ns) / 1e9, 3) for name, (_, last_ns) in sums.items()}
    damaged = len(contents.damaged)
    if contents.end is None:
        detail = {"lost_s": lost_s, "damaged_records": damaged, "missing_records": contents.missing_count}
        rows = rows.followed_by(Row(rows.end_ns, "event", event=Event.RECOVERED, detail=detail))
    finish = Finish(
        clean=contents.end is not None,
        reason="recovered" if contents.end is None else str(contents.end.get("reason", "recovered")),
        damaged_records=damaged,
        missing_records=contents.missing_count,
        lost_s=lost_s if contents.end is None else {},
    )
    try:
        return _finished_metadata(contents, sums, finish), rows, lost_s
    except (msgspec.MsgspecError, ValueError, TypeError, AttributeError) as fault:
        raise JournalDamaged(f"the header of {path} cannot be read ({fault}); it is left as it is.") from fault


def _place_for(target: Path, contents: JournalContents) -> tuple[Path, bool]:
    """Where the file goes, with a number behind the name where that is taken, and whether it is there already.

    It is where the recorder was killed between the renaming and the removal of the journal, or amid the removal.
    """
    number, place = 1, target
    while place.exists():
        if holds_all(place, contents.session_id, contents.rows):
            return place, True
        number += 1
        place = target.with_name(f"{target.stem}-{number}.parquet")
    return place, False
