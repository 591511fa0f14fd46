"""From the Parquet file to metadata, events and samples; refuses what is damaged, foreign or newer."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analysis.amendments import Amendments, amended, read_amendments
from analysis.bench_file import Bench, bench_from_dict
from analysis.characteristics.registry import DECODER_VERSION
from analysis.errors import BadRecording
from analysis.recording_columns import recorded_samples, sample_table
from analysis.recording_schema import (
    COLUMNS,
    METADATA_DIGEST_KEY,
    METADATA_KEY,
    SCHEMA_MAJOR,
    Metadata,
    metadata_digest,
    metadata_from_json,
)
from analysis.rows import Row
from analysis.safe_text import safe_path, safe_text
from analysis.samples import SensorSamples
from analysis.segments import Segment, segments_from_events, whole_ride
from analysis.untimed import takes_dates, with_untimed

LONGEST_NS = 7 * 86_400 * 1_000_000_000


@dataclass(frozen=True)
class Recording:
    """A ride as read. `end_ns` is the time of its last row; `amendments` lie beside the file, None without any."""

    path: Path
    metadata: Metadata
    bench: Bench
    samples: Mapping[str, SensorSamples]
    events: tuple[Row, ...]
    end_ns: int
    amendments: Amendments | None = None

    @property
    def segments(self) -> tuple[Segment, ...]:
        """As amended; the whole ride where nothing is marked.

        :raises BadAmendment: for an amendment that does not fit the ride.
        """
        if self.amendments is None:
            return self.recorded_segments
        marked = segments_from_events(self.events, self.end_ns)
        return amended(marked, self.amendments, self.end_ns) or (whole_ride(self.end_ns),)

    @property
    def recorded_segments(self) -> tuple[Segment, ...]:
        """As recorded, whatever was amended."""
        return segments_from_events(self.events, self.end_ns) or (whole_ride(self.end_ns),)

    @property
    def decoded_again(self) -> bool:
        """Whether another version of the decoder had written the file, so that payloads were decoded anew."""
        return self.metadata.decoder_version != DECODER_VERSION


def read_recording(path: Path) -> Recording:
    """The ride and the amendments beside it.

    :raises BadRecording: one sentence with file and remedy.
    :raises BadAmendment: for amendments that cannot be read.
    """
    file = _opened(path)
    metadata = _metadata(file, path)
    try:
        events = _events(file)
        table = sample_table(file, metadata.decoder_version)
        samples = _timed(recorded_samples(metadata, table), events, table)
    # A footer has no checksum: damaged, it may also give indices and numbers that cannot be.
    except (OSError, ValueError, LookupError, ArithmeticError, pa.ArrowException) as fault:
        raise BadRecording(
            f"{safe_path(path)} is damaged: {safe_text(str(fault), 120)}; use its copy or journal."
        ) from fault
    last_ns = _last_ns(table, path)
    bench = bench_from_dict(metadata.bench)
    return Recording(path, metadata, bench, samples, events, last_ns, read_amendments(path))


def file_sha256(path: Path) -> str:
    """:raises OSError:"""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_metadata(path: Path) -> Metadata:
    """Only the metadata, without touching the rows."""
    return _metadata(_opened(path), path)


def _timed(samples: Mapping[str, SensorSamples], events: Sequence[Row], table: pa.Table) -> dict[str, SensorSamples]:
    untimed = [row for row in events if takes_dates(row)]
    if not untimed:
        return dict(samples)
    relayed = table.filter(pc.equal(table["row_kind"].cast(pa.string()), "relayed"))
    names = set(pc.unique(relayed["sensor"].cast(pa.string())).to_pylist())
    return {name: with_untimed(s, untimed, relayed=name in names) for name, s in samples.items()}


def _last_ns(table: pa.Table, path: Path) -> int:
    """The time of the last row; 0 without any. Grids grow with it, so that a wrong one could fill the memory."""
    host_ns = table["host_ns"].to_numpy()
    if not len(host_ns):
        return 0
    if bool(np.any(host_ns[1:] < host_ns[:-1])):
        raise BadRecording(f"{safe_path(path)} is damaged: its rows are not in the order of time; use a copy.")
    if int(host_ns[0]) < 0 or int(host_ns[-1]) > LONGEST_NS:
        raise BadRecording(
            f"{safe_path(path)} is damaged: it has rows from before its start or a week later; use a copy."
        )
    return int(host_ns[-1])


def _opened(path: Path) -> pq.ParquetFile:
    if not path.is_file():
        raise BadRecording(f"{safe_path(path)} is not a file; give the path of a .parquet recording.")
    try:
        return pq.ParquetFile(path, page_checksum_verification=True)
    except (OSError, ValueError, pa.ArrowException) as fault:
        reason = safe_text(str(fault).partition(". ")[0], 80)
        raise BadRecording(
            f"{safe_path(path)} is not a readable Parquet file ({reason}); "
            "if its ride was interrupted, run `wattproof recover` on the folder; "
            "files of other devices go through `wattproof import` first."
        ) from fault


def _metadata(file: pq.ParquetFile, path: Path) -> Metadata:
    keys = file.schema_arrow.metadata or {}
    raw = keys.get(METADATA_KEY)
    if raw is None:
        raise BadRecording(f"{safe_path(path)} is a Parquet file, but not a wattproof recording.")
    try:
        version = json.loads(raw).get("schema_major")
        if isinstance(version, int) and version > SCHEMA_MAJOR:
            raise BadRecording(
                f"{safe_path(path)} has schema version {version}, newer than the {SCHEMA_MAJOR} this version reads; "
                "install a newer wattproof."
            )
        # Pages have checksums of their own, the footer has none: this one and the names cover what we take from it.
        if keys.get(METADATA_DIGEST_KEY) != metadata_digest(raw):
            raise BadRecording(f"{safe_path(path)} is damaged: its metadata does not fit its checksum; use a copy.")
        metadata = metadata_from_json(raw)
    except (ValueError, AttributeError, msgspec.MsgspecError) as fault:
        raise BadRecording(
            f"{safe_path(path)} has metadata that cannot be read: {safe_text(str(fault), 120)}."
        ) from fault
    missing = {c.name for c in COLUMNS} - set(file.schema_arrow.names)
    if missing:
        raise BadRecording(f"{safe_path(path)} is damaged: it lacks the column {sorted(missing)[0]}; use a copy.")
    return metadata


def _events(file: pq.ParquetFile) -> tuple[Row, ...]:
    table = file.read(columns=["host_ns", "sensor", "event", "detail"])
    table = table.filter(pc.is_valid(table["event"]))
    return tuple(
        Row(
            host_ns=row["host_ns"],
            row_kind="event",
            sensor=row["sensor"],
            event=row["event"],
            detail=_detail(row["detail"]),
        )
        for row in table.to_pylist()
    )


def _detail(text: str | None) -> dict[str, Any]:
    """:raises ValueError: for what no recorder has written."""
    try:
        found = json.loads(text or "{}")
    except RecursionError as fault:
        raise ValueError("an event is nested too deeply") from fault
    if not isinstance(found, dict):
        raise ValueError("the detail of an event is no table")
    return found
