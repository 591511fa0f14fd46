"""The recording file as a contract: every column with its type, the metadata, the version, and who may read it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any, Literal

import msgspec

SCHEMA_MAJOR = 1
SCHEMA_MINOR = 0
METADATA_KEY = b"wattproof"
METADATA_DIGEST_KEY = b"wattproof_sha256"

ColumnType = Literal["int64", "int32", "float64", "bool", "binary", "string", "words"]


@dataclass(frozen=True)
class Column:
    """`words` is a dictionary-encoded string. `origin` says where the value comes from.

    row: set by the recorder; decoded: computed from `payload`; detail: taken from the event's `detail`.
    """

    name: str
    type: ColumnType
    origin: Literal["row", "decoded", "detail"]


COLUMNS: tuple[Column, ...] = (
    Column("host_ns", "int64", "row"),  # since the start of the recording
    Column("row_kind", "words", "row"),
    Column("sensor", "words", "row"),
    Column("characteristic", "words", "row"),
    Column("payload", "binary", "row"),
    Column("power_w", "int32", "decoded"),
    Column("cadence_rpm", "float64", "decoded"),  # from event times, or as sent where the sensor sends it
    Column("balance_left_pct", "float64", "decoded"),  # as received; left only where balance_reference says so
    Column("balance_reference", "words", "decoded"),
    Column("accumulated_torque_nm", "float64", "decoded"),  # as received: wraps at 2048
    Column("torque_source", "words", "decoded"),
    Column("crank_revolutions", "int32", "decoded"),  # as received: wraps at 65,536
    Column("crank_event_s", "float64", "decoded"),  # as received: wraps at 64 s
    Column("wheel_revolutions", "int64", "decoded"),
    Column("wheel_event_s", "float64", "decoded"),  # as received: wraps at 32 s (2a63) or 64 s (2a5b)
    Column("force_max_n", "int32", "decoded"),
    Column("force_min_n", "int32", "decoded"),
    Column("torque_max_nm", "float64", "decoded"),
    Column("torque_min_nm", "float64", "decoded"),
    Column("angle_max_deg", "int32", "decoded"),
    Column("angle_min_deg", "int32", "decoded"),
    Column("top_dead_spot_deg", "int32", "decoded"),
    Column("bottom_dead_spot_deg", "int32", "decoded"),
    Column("accumulated_energy_kj", "int32", "decoded"),
    Column("offset_compensated", "bool", "decoded"),
    Column("speed_kmh", "float64", "decoded"),
    Column("distance_m", "int32", "decoded"),
    Column("resistance_level", "float64", "decoded"),
    Column("elapsed_s", "int32", "decoded"),
    Column("temperature_c", "float64", "decoded"),
    Column("battery_pct", "int32", "decoded"),
    Column("event", "words", "row"),
    Column("detail", "string", "row"),  # JSON object
    Column("segment_no", "int32", "detail"),
    Column("step_id", "words", "detail"),
    Column("repeat_no", "int32", "detail"),
    Column("step_kind", "words", "detail"),
    Column("posture", "words", "detail"),
    Column("ended_by", "words", "detail"),
    Column("origin_ns", "int64", "row"),
    Column("origin_seq", "int64", "row"),
)
DECODED_COLUMNS = tuple(c.name for c in COLUMNS if c.origin == "decoded")
DETAIL_COLUMNS = tuple(c.name for c in COLUMNS if c.origin == "detail")


class Finish(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How the recording came to its end. `lost_s` is the silence before an unplanned end, per sensor."""

    clean: bool
    reason: str
    damaged_records: int = 0
    missing_records: int = 0
    lost_s: dict[str, float] = {}


class Metadata(msgspec.Struct, frozen=True, kw_only=True):
    """The JSON under `METADATA_KEY`. Unknown keys of a newer minor version are passed over when read.

    `utc_anchors` are pairs (host_ns, UTC ns): at the start, each minute, and at the end.
    """

    schema_major: int
    schema_minor: int
    decoder_version: int
    product_version: str
    session_id: str
    host: str
    clock: str
    utc_anchors: tuple[tuple[int, int], ...]
    bench: dict[str, Any]
    plan: dict[str, Any] | None = None
    sensors: dict[str, dict[str, Any]] = {}
    continues: str | None = None
    finish: Finish | None = None
    rows_per_sensor: dict[str, int] = {}

    def to_json(self) -> bytes:
        return msgspec.json.encode(self)

    def as_dict(self) -> dict[str, Any]:
        built: dict[str, Any] = msgspec.to_builtins(self)
        return built


def metadata_digest(data: bytes) -> bytes:
    """What stands beside the metadata: SHA-256 of its JSON, in hexadecimal."""
    return hashlib.sha256(data).hexdigest().encode()


def metadata_from_json(data: bytes) -> Metadata:
    """:raises msgspec.MsgspecError: for bytes that are not our metadata."""
    return msgspec.json.decode(data, type=Metadata)


def metadata_from_dict(table: dict[str, Any]) -> Metadata:
    """:raises msgspec.MsgspecError: for a table that is not our metadata."""
    return msgspec.convert(table, Metadata)
