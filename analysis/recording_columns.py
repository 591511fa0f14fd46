"""From the stored columns to the samples of each stream; decodes again what another decoder had written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from analysis.bench_file import bench_from_dict
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import DECODER_VERSION
from analysis.decoding import RowDecoder
from analysis.recording_schema import Metadata
from analysis.rows import Row
from analysis.samples import SensorSamples, sensor_samples

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
_MOST_STATED_HOLD_S = 60.0
_TEXT_COLUMNS = ("sensor", "row_kind", "characteristic", "balance_reference")
_MEASURED = ["notification", "imported", "relayed"]
_BEYOND_ANY_VALUE = 1e10  # a wheel counts to 4.3e9


def sample_table(file: pq.ParquetFile, decoder_version: int) -> pa.Table:
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


def recorded_samples(metadata: Metadata, table: pa.Table) -> dict[str, SensorSamples]:
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
    return float(hold_s) if isinstance(hold_s, int | float) and 0 < hold_s < _MOST_STATED_HOLD_S else None


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
        return np.where(np.abs(values) < _BEYOND_ANY_VALUE, values, np.nan)
    codes, words = _coded(column)
    return np.asarray(words[codes])


def _coded(column: pa.ChunkedArray) -> tuple[NDArray[Any], NDArray[Any]]:
    """For each row the place of its word among the words, and these; "" for null."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    encoded = column.unify_dictionaries().combine_chunks()
    words = np.array(["", *encoded.dictionary.to_pylist()], str)
    return encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False) + 1, words


def _decoded(decoder: RowDecoder, row: dict[str, Any]) -> Mapping[str, Any]:
    try:
        return decoder.fields(Row(**row))
    except NotUnderstood:
        return {}
