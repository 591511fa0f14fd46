"""From the Parquet file to metadata, events and samples; refuses what is damaged, foreign or newer."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analysis.bench_file import Bench, bench_from_dict
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import DECODER_VERSION
from analysis.decoding import RowDecoder
from analysis.errors import BadRecording
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
from analysis.safe_text import safe_text
from analysis.samples import SensorSamples, sensor_samples
from analysis.segments import Segment, segments_from_events, whole_ride

_SAMPLE_COLUMNS = (
    "host_ns",
    "sensor",
    "characteristic",
    "row_kind",
    "power_w",
    "cadence_rpm",
    "balance_left_pct",
    "balance_reference",
    "temperature_c",
    "battery_pct",
    "accumulated_torque_nm",
    "crank_revolutions",
    "crank_event_s",
    "wheel_revolutions",
    "wheel_event_s",
)
_TEXT_COLUMNS = ("characteristic", "balance_reference")


@dataclass(frozen=True)
class Recording:
    """A ride as read. `end_ns` is the time of its last row."""

    path: Path
    metadata: Metadata
    bench: Bench
    samples: Mapping[str, SensorSamples]
    events: tuple[Row, ...]
    end_ns: int

    @property
    def segments(self) -> tuple[Segment, ...]:
        return segments_from_events(self.events, self.end_ns) or (whole_ride(self.end_ns),)

    @property
    def decoded_again(self) -> bool:
        """Whether another version of the decoder had written the file, so that payloads were decoded anew."""
        return self.metadata.decoder_version != DECODER_VERSION


def read_recording(path: Path) -> Recording:
    """:raises BadRecording: one sentence with file and remedy."""
    file = _opened(path)
    metadata = _metadata(file, path)
    try:
        events = _events(file)
        table = _sample_table(file, metadata.decoder_version)
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise BadRecording(
            f"{_shown(path)} is damaged: {safe_text(str(fault), 120)}; use its copy or journal."
        ) from fault
    samples = {
        name: part for name in _stream_names(metadata, table) if (part := _samples_of(name, table)) is not None
    }
    host_ns = table["host_ns"]
    last_ns = int(host_ns[-1].as_py()) if len(host_ns) else 0
    return Recording(path, metadata, bench_from_dict(metadata.bench), samples, events, last_ns)


def read_metadata(path: Path) -> Metadata:
    """Only the metadata, without touching the rows."""
    return _metadata(_opened(path), path)


def _shown(path: Path) -> str:
    return safe_text(str(path), 200)


def _opened(path: Path) -> pq.ParquetFile:
    if not path.is_file():
        raise BadRecording(f"{_shown(path)} is not a file; give the path of a .parquet recording.")
    try:
        return pq.ParquetFile(path, page_checksum_verification=True)
    except (OSError, ValueError, pa.ArrowException) as fault:
        raise BadRecording(
            f"{_shown(path)} is not a readable Parquet file ({safe_text(str(fault), 80)}); "
            "if its ride was interrupted, run `wattproof recover` on the folder."
        ) from fault


def _metadata(file: pq.ParquetFile, path: Path) -> Metadata:
    keys = file.schema_arrow.metadata or {}
    raw = keys.get(METADATA_KEY)
    if raw is None:
        raise BadRecording(f"{_shown(path)} is a Parquet file, but not a wattproof recording.")
    try:
        version = json.loads(raw).get("schema_major")
        if isinstance(version, int) and version > SCHEMA_MAJOR:
            raise BadRecording(
                f"{_shown(path)} has schema version {version}, newer than the {SCHEMA_MAJOR} this version reads; "
                "install a newer wattproof."
            )
        # Pages have checksums of their own, the footer has none: this one and the names cover what we take from it.
        if keys.get(METADATA_DIGEST_KEY) != metadata_digest(raw):
            raise BadRecording(f"{_shown(path)} is damaged: its metadata does not fit its checksum; use a copy.")
        metadata = metadata_from_json(raw)
    except (ValueError, AttributeError, msgspec.MsgspecError) as fault:
        raise BadRecording(
            f"{_shown(path)} has metadata that cannot be read: {safe_text(str(fault), 120)}."
        ) from fault
    missing = {c.name for c in COLUMNS} - set(file.schema_arrow.names)
    if missing:
        raise BadRecording(f"{_shown(path)} is damaged: it lacks the column {sorted(missing)[0]}; use a copy.")
    return metadata


def _stream_names(metadata: Metadata, table: pa.Table) -> list[str]:
    known = list(bench_from_dict(metadata.bench).stream_names)
    present = {s for s in table["sensor"].unique().to_pylist() if s is not None}
    return [n for n in known if n in present] + sorted(present - set(known))


def _samples_of(sensor: str, table: pa.Table) -> SensorSamples | None:
    measured = pc.is_in(table["row_kind"].cast(pa.string()), pa.array(["notification", "imported", "relayed"]))
    part = table.filter(pc.and_(pc.equal(table["sensor"].cast(pa.string()), sensor), measured))
    if part.num_rows == 0:
        return None
    columns: dict[str, Any] = {}
    for name in (n for n in _SAMPLE_COLUMNS if n in part.schema.names):
        if name in _TEXT_COLUMNS:
            columns[name] = np.array(part[name].to_pylist(), object)
        elif name == "host_ns":
            columns[name] = part[name].to_numpy()
        elif name not in ("sensor", "row_kind"):
            columns[name] = part[name].cast(pa.float64()).to_numpy()
    return sensor_samples(sensor, columns)


def _sample_table(file: pq.ParquetFile, decoder_version: int) -> pa.Table:
    """The columns that samples are made of: as stored, or decoded again where another decoder wrote them."""
    if decoder_version == DECODER_VERSION:
        return file.read(columns=[c for c in _SAMPLE_COLUMNS if c in file.schema_arrow.names])
    stored = file.read(columns=["host_ns", "sensor", "characteristic", "row_kind", "payload", "event"])
    decoder = RowDecoder()
    fields = [_decoded(decoder, row) for row in stored.to_pylist()]
    for name in _SAMPLE_COLUMNS[4:]:
        kind = pa.string() if name in _TEXT_COLUMNS else pa.float64()
        values = [f.get(name) for f in fields]
        stored = stored.append_column(name, pa.array(values, kind))
    return stored


def _decoded(decoder: RowDecoder, row: dict[str, Any]) -> Mapping[str, Any]:
    try:
        return decoder.fields(Row(**row))
    except NotUnderstood:
        return {}


def _events(file: pq.ParquetFile) -> tuple[Row, ...]:
    table = file.read(columns=["host_ns", "sensor", "event", "detail"])
    table = table.filter(pc.is_valid(table["event"]))
    return tuple(
        Row(
            host_ns=row["host_ns"],
            row_kind="event",
            sensor=row["sensor"],
            event=row["event"],
            detail=json.loads(row["detail"] or "{}"),
        )
        for row in table.to_pylist()
    )
