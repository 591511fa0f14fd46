"""From the Parquet file to metadata, events and samples; refuses what is damaged, foreign or newer."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analysis.amendments import Amendments, amended, read_amendments
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
from analysis.safe_text import safe_path, safe_text
from analysis.samples import SensorSamples, sensor_samples
from analysis.segments import Segment, segments_from_events, whole_ride
from analysis.untimed import takes_dates, with_untimed

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
LONGEST_HOLD_S = 60.0
_TEXT_COLUMNS = ("sensor", "row_kind", "characteristic", "balance_reference")
_MEASURED = ["notification", "imported", "relayed"]
BEYOND_ANY_VALUE = 1e10  # a wheel counts to 4.3e9
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
        table = _sample_table(file, metadata.decoder_version)
        samples = _timed(_samples(metadata, table), events, table)
    # A footer has no checksum: damaged, it may also give indices and numbers that cannot be.
    except (OSError, ValueError, LookupError, ArithmeticError, pa.ArrowException) as fault:
        raise BadRecording(
            f"{safe_path(path)} is damaged: {safe_text(str(fault), 120)}; use its copy or journal."
        ) from fault
    last_ns = _last_ns(table, path)
    bench = bench_from_dict(metadata.bench)
    return Recording(path, metadata, bench, samples, events, last_ns, read_amendments(path))


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


def _samples(metadata: Metadata, table: pa.Table) -> dict[str, SensorSamples]:
    """One entry per stream that measured anything, in the order of the bench; strangers behind."""
    wanted = [name for name in _SAMPLE_COLUMNS if name not in ("sensor", "row_kind")]
    columns = {name: values for name in wanted if (values := _column(table, name)) is not None}
    # Words are compared once each, not once for every row.
    (sensor, names), (row_kind, kinds) = _coded(table["sensor"]), _coded(table["row_kind"])
    measured = np.isin(kinds, _MEASURED)[row_kind]
    imported = (kinds == "imported")[row_kind]
    if imported.any():
        # Records of a file have no characteristic; among samples their kind stands for it.
        nothing = np.full(table.num_rows, "")
        columns["characteristic"] = np.where(imported, "imported", columns.get("characteristic", nothing))
    known = list(bench_from_dict(metadata.bench).stream_names)
    strangers = sorted(set(names.tolist()) - {"", *known})
    found = {}
    for name in (*known, *strangers):
        rows = np.flatnonzero(measured & (names == name)[sensor])
        if rows.size:
            samples = sensor_samples(name, {key: values[rows] for key, values in columns.items()})
            found[name] = replace(samples, hold_s=_hold_s(metadata, name))
    return found


def _hold_s(metadata: Metadata, name: str) -> float | None:
    """Told of the records of a file only."""
    hold_s = metadata.sensors.get(name, {}).get("hold_s")
    return float(hold_s) if isinstance(hold_s, int | float) and 0 < hold_s < LONGEST_HOLD_S else None


def _column(table: pa.Table, name: str) -> NDArray[Any] | None:
    """Text as fixed-width strings ("" for null), numbers as float64 (nan for null); None for a column of nulls."""
    column = table[name] if name in table.schema.names else None
    if column is None or (name != "host_ns" and column.null_count == len(column)):
        return None
    if name == "host_ns":
        return np.asarray(column.to_numpy(), np.int64)
    if name not in _TEXT_COLUMNS:
        values = np.asarray(column.cast(pa.float64()).to_numpy(), np.float64)
        # No decoder gives such numbers: the payload, which is the truth, says otherwise or nothing.
        return np.where(np.abs(values) < BEYOND_ANY_VALUE, values, np.nan)
    codes, words = _coded(column)
    return np.asarray(words[codes])


def _coded(column: pa.ChunkedArray) -> tuple[NDArray[Any], NDArray[Any]]:
    """For each row the place of its word among the words, and these; "" for null."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    encoded = column.unify_dictionaries().combine_chunks()
    words = np.array(["", *encoded.dictionary.to_pylist()], str)
    return encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False) + 1, words


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
