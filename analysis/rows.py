"""One row of a recording before it is decoded: bytes that arrived, or something that happened."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, get_args

import msgspec

RowKind = Literal["notification", "indication", "read", "write", "imported", "relayed", "event"]
ROW_KINDS: tuple[RowKind, ...] = get_args(RowKind)


class Row(msgspec.Struct, frozen=True):
    """`host_ns` counts from the start of the recording. Events carry `event` and `detail`, the rest a payload.

    One is made for every notification, so it is a Struct: a frozen dataclass takes twelve times as long to make.
    """

    host_ns: int
    row_kind: RowKind
    sensor: str | None = None
    characteristic: str | None = None
    payload: bytes | None = None
    event: str | None = None
    detail: Mapping[str, Any] = {}
    origin_ns: int | None = None
    origin_seq: int | None = None


class Event:
    """Names of the events that a recording can hold; `detail` keys are given beside each."""

    SEGMENT_START = "segment_start"  # segment_no, name, step_id, repeat_no, step_kind, posture, settle_s, ...
    SEGMENT_END = "segment_end"  # segment_no, ended_by: plan, hand, decided, stop
    MARK = "mark"  # text; of a clap "clap at" and the UTC of the key press, as 2026-05-02T14:03:27.845Z
    NOTE = "note"  # text
    STEP_SKIPPED = "step_skipped"  # step_id, repeat_no
    LINK_FOUND = "link_found"  # attempt, rssi_dbm: the first notification of a new link may follow
    LINK_LOST = "link_lost"  # reason
    LINK_WAITING = "link_waiting"  # reason: not advertising, connect failed, ...; next_try_s
    PAUSED = "paused"  # paused_s: the device that recorded an imported file stood paused
    SILENT = "silent"  # silent_s: link up, no data
    DUPLICATE_DROPPED = "duplicate_dropped"  # characteristic, payload (hex)
    NOT_UNDERSTOOD = "not_understood"  # characteristic, reason
    ZERO_ASKED = "zero_offset_asked"  # request (hex)
    ZERO_ANSWERED = "zero_offset_answered"  # result, raw, unit, offset_nm, words
    RESISTANCE = "resistance"  # state: asked, allowed, set, lowering, released, refused, lost; words
    LAG_ADOPTED = "lag_adopted"  # meter, reference, lag_s, half_width_s: taken out from then on, offline too
    IDENTIFIED = "identified"  # what the sensor says of itself
    HOST_STOOD_STILL = "host_stood_still"  # still_s: what arrived inside is stamped late by up to that much
    SUSPENDED = "suspended"  # asleep_s
    BURST = "burst"  # count, span_s: packets that had been held up by the radio
    READY = "ready"  # ready, words, findings, checked_utc_ns, zero: the check before the ride
    STORAGE = "storage"  # words, state: disk full, sync failed, recording moved, all well again
    BLUETOOTH_SERVICE = "bluetooth_service"  # words: lost, back, adapter off
    RELAY = "relay"  # relay, state: found, online, offline, behind, blocked, lost, ...; words
    CLOCK_EXCHANGE = "clock_exchange"  # relay, boot, t1_ns and t4_ns as host_ns, t2_ns and t3_ns as origin_ns
    RELAY_CLOCK = "relay_clock"  # relay, boot, offset_ns, half_width_ns, drift_ppm, drift_half_width_ppm, ...
    RECOVERED = "recovered"  # lost_s per sensor, damaged_records
    FINISHED = "finished"  # reason: plan, duration, signal name
