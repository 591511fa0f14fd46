"""Makes one recording of several ride files: read, put on one clock, marked, written whole or not at all."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from analysis.bench_file import Bench, meter_streams
from analysis.characteristics.registry import DECODER_VERSION
from analysis.errors import BadInput
from analysis.recording_schema import SCHEMA_MAJOR, SCHEMA_MINOR, Finish, Metadata
from analysis.ride_files.csv_mapping import CsvMapping
from analysis.ride_files.ride_file import Keep, RideFile
from analysis.rows import Row
from analysis.safe_text import file_slug, safe_text
from analysis.segment_proposals import propose
from analysis.version import product_version
from recorder.errors import FinishFailed, ImportFailed
from recorder.folder_lock import FolderLock
from recorder.import_clocks import place_clocks, stated_offsets, track_of
from recorder.import_files import GivenFile, read_files
from recorder.import_rows import REASON, PlacedFile, imported_rows, lap_segments, placed_files
from recorder.import_same_meter import refuse_one_meter_twice
from recorder.import_segments import WantedSegment, checked_segments, proposal_lines, segments_by_hand
from recorder.import_summary import ImportSummary, file_summary
from recorder.journal_segments import segment_path
from recorder.recording_writer import write_recording
from recorder.storage import Storage


@dataclass(frozen=True)
class ImportJob:
    """What to import, and how. `segments`, `offsets`: as on the command line."""

    bench: Bench
    files: Sequence[GivenFile]
    folder: Path
    reference: str | None = None
    segments: Sequence[str] = ()
    laps: bool = False
    offsets: Sequence[str] = ()
    mappings: Mapping[str | None, CsvMapping] | None = None
    keep: Keep = field(default_factory=Keep)


@dataclass(frozen=True, eq=False)
class OneClock:
    """All files of a ride, read and placed; `bench` names the reference that was chosen."""

    bench: Bench
    reference: str
    placed: Mapping[str, PlacedFile]

    @property
    def end_ns(self) -> int:
        return max(int(p.host_ns.max()) for p in self.placed.values())

    @property
    def start_utc_ns(self) -> int | None:
        """By the reference's file, else by the first that knows UTC; None where none does."""
        told = self._utc_teller()
        if told is None:
            return None
        return told.file.start_ns - int(told.host_ns[0])

    def utc_anchors(self) -> tuple[tuple[int, int], ...]:
        start_ns = self.start_utc_ns
        return () if start_ns is None else ((0, start_ns), (self.end_ns, start_ns + self.end_ns))

    def utc_words(self) -> str:
        told = self._utc_teller()
        return "" if told is None or told.sensor == self.reference else f", UTC by {told.sensor}'s file"

    def _utc_teller(self) -> PlacedFile | None:
        order = sorted(self.placed.values(), key=lambda p: p.sensor != self.reference)
        return next((p for p in order if p.file.utc_known), None)


def read_on_one_clock(job: ImportJob) -> OneClock:
    """:raises BadInput: one sentence on the file, name or clock that cannot be used."""
    files = read_files(job.files, job.bench, job.mappings or {}, job.keep)
    bench, reference = _with_reference(job, files)
    clocks = place_clocks(files, reference, stated_offsets(list(job.offsets), files, reference))
    placed = placed_files(files, clocks)
    refuse_one_meter_twice(placed)
    return OneClock(bench, reference, placed)


def proposed_segments(ride: OneClock) -> list[str]:
    """As arguments to paste, from what the reference recorded."""
    base = ride.placed[ride.reference]
    return proposal_lines(propose(track_of(base.file)), int(base.host_ns[0]))


def import_ride(job: ImportJob, ride: OneClock, storage: Storage) -> ImportSummary:
    """:raises BadInput, RecorderError: one sentence; then nothing was written."""
    by_hand = segments_by_hand(job.segments, ride.start_utc_ns)
    laps = lap_segments(ride.placed[ride.reference]) if job.laps else []
    if job.laps and not laps:
        raise BadInput(f"the file of the reference, {ride.reference}, holds no laps; mark segments with --segment")
    segments = checked_segments([*by_hand, *_within(laps, ride.end_ns)], ride.end_ns, ride.start_utc_ns)
    rows = imported_rows(ride.placed, ride.bench, segments)
    metadata = _metadata(ride, rows)
    with FolderLock(job.folder, storage):
        path, before = _free_path(job.folder, ride)
        try:
            write_recording(path, rows, metadata, storage)
        except FinishFailed as fault:
            why = safe_text(str(fault.__cause__ or "it does not read back as written"), 200)
            raise ImportFailed(
                f"{safe_text(str(path), 200)} could not be written ({why}); nothing is left of it"
            ) from fault
    summaries = {name: file_summary(p) for name, p in ride.placed.items()}
    return ImportSummary(path, ride.reference, ride.end_ns / 1e9, tuple(segments), summaries, before)


def _with_reference(job: ImportJob, files: Mapping[str, RideFile]) -> tuple[Bench, str]:
    """The bench, with the reference that was asked for, and the stream whose file gives the clock."""
    wanted = job.reference or (job.bench.reference.name if job.bench.reference is not None else None)
    meter = next((m for m in job.bench.meter if m.name == wanted), None)
    powered = [m.name for m in job.bench.meter for s in meter_streams(m) if s in files and files[s].has_power]
    others = (
        f"choose one of {', '.join(dict.fromkeys(powered))} with --reference" if powered else "no file holds power"
    )
    if meter is None:
        raise BadInput(f"there is no meter named `{safe_text(wanted or '', 40)}` on the bench; {others}")
    stream = next((s for s in meter_streams(meter) if s in files), None)
    if stream is None:
        raise BadInput(f"no file is given for the reference, {meter.name}; {others}")
    if not files[stream].has_power:
        raise BadInput(f"the file of the reference, {meter.name}, holds no power; {others}")
    if job.reference is None:
        return job.bench, stream
    about = msgspec.structs.replace(job.bench.bench, reference=meter.name)
    return msgspec.structs.replace(job.bench, bench=about), stream


def _within(laps: Sequence[WantedSegment], end_ns: int) -> list[WantedSegment]:
    """A lap may begin before the first record and end after the last, by any amount."""
    return [
        replace(lap, stop_ns=min(lap.stop_ns, end_ns)) for lap in laps if lap.stop_ns > 0 and lap.start_ns < end_ns
    ]


def _metadata(ride: OneClock, rows: Sequence[Row]) -> Metadata:
    totals = {name: len(p.file.payloads) for name, p in ride.placed.items()}
    return Metadata(
        schema_major=SCHEMA_MAJOR,
        schema_minor=SCHEMA_MINOR,
        decoder_version=DECODER_VERSION,
        product_version=product_version(),
        session_id=_session_id(ride),
        host=safe_text(platform.node() or "unknown"),
        clock=f"clock of {ride.reference}'s file{ride.utc_words()}",
        utc_anchors=ride.utc_anchors(),
        bench=ride.bench.as_dict(),
        sensors={name: _about(p) for name, p in ride.placed.items()},
        finish=Finish(clean=True, reason=REASON),
        rows_per_sensor=totals,
    )


def _session_id(ride: OneClock) -> str:
    """The same files are the same ride, however often they are imported: a ledger takes them once."""
    told = "\n".join(sorted(f"{name} {p.file.sha256}" for name, p in ride.placed.items()))
    return hashlib.sha256(told.encode()).hexdigest()[:32]


def _about(placed: PlacedFile) -> dict[str, Any]:
    """What the file says of devices stays apart from what a sensor says of itself by radio: written differently."""
    file, clock = placed.file, placed.clock
    return {
        "hold_s": file.hold_s,
        "source": {
            "file": file.name,
            "sha256": file.sha256,
            "kind": file.kind,
            "records": len(file.payloads),
            "utc_known": file.utc_known,
            "recorded_on": file.recorder.as_dict(),
            "meter": file.meter.as_dict(),
            "spacing_s": file.spacing_s if len(file.payloads) > 1 else None,
            "uneven": file.uneven,
            "remarks": list(file.remarks),
            "damaged": file.damaged,
        },
        "alignment": clock.as_dict(),
    }


def _free_path(folder: Path, ride: OneClock) -> tuple[Path, Path | None]:
    """`2026-11-25_0930_quayside-bench.parquet` by the ride's own start, with a number behind where that is taken.

    Beside it the last of those before it, if any.
    """
    start_ns = ride.start_utc_ns
    day = (
        "imported"
        if start_ns is None
        else f"{datetime.fromtimestamp(start_ns / 1e9, UTC).astimezone():%Y-%m-%d_%H%M}"
    )
    first = stem = f"{day}_{file_slug(ride.bench.bench.name)}"
    number, before = 1, None
    while (folder / f"{stem}.parquet").exists() or segment_path(folder, stem, 1).exists():
        before = folder / f"{stem}.parquet"
        number += 1
        stem = f"{first}-{number}"
    return folder / f"{stem}.parquet", before
