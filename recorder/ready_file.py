"""The result of a ready check as it is kept beside the bench file, and what of it a later ride may still rely on."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Literal

import msgspec

from analysis.rows import Event
from analysis.safe_text import safe_path
from recorder.errors import FolderUnusable
from recorder.ready_words import sentence
from recorder.source import RecordSink

VALID_S = 12 * 3600.0
KEPT_ZEROS = 40  # per unit
_MAX_BYTES = 1024 * 1024
_CLOCK_SLACK_S = 300.0

What = Literal[
    "never_reached",
    "no_data",
    "firmware",
    "serial",
    "battery",
    "signal",
    "crank_length",
    "newly_mounted",
    "zero_jumped",
    "zero_not_done",
]


class Finding(msgspec.Struct, frozen=True):
    """`blocks`: the sensor is not ready; otherwise it is worth knowing."""

    what: What
    words: str
    blocks: bool = True


class ZeroValue(msgspec.Struct, frozen=True):
    """A zero offset as a unit gave it; `raw` is in `unit`."""

    utc_ns: int
    raw: int
    unit: str
    offset_nm: float | None = None


class ZeroTold(msgspec.Struct, frozen=True):
    """What came of asking; `value` where the sensor gave one."""

    outcome: str
    words: str
    value: ZeroValue | None = None
    before: ZeroValue | None = None


class SensorReady(msgspec.Struct, frozen=True, kw_only=True):
    """One stream of the bench. `identity` is what the sensor says of itself; `rate_hz` None: nothing came."""

    sensor: str
    identity: dict[str, Any] = {}
    features: tuple[str, ...] = ()
    rssi_dbm: int | None = None
    rate_hz: float | None = None
    zero: ZeroTold | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def ready(self) -> bool:
        return not any(finding.blocks for finding in self.findings)


class Ready(msgspec.Struct, frozen=True, kw_only=True):
    """One check of a whole bench; `zeros` are all values known by now, oldest first, by unit."""

    wattproof_ready: Literal[1] = 1
    bench: str
    checked_utc_ns: int
    sensors: tuple[SensorReady, ...]
    zeros: dict[str, tuple[ZeroValue, ...]] = {}

    @property
    def ready(self) -> bool:
        return all(sensor.ready for sensor in self.sensors)

    def as_dict(self) -> dict[str, Any]:
        """For printing: without what was known before."""
        built: dict[str, Any] = msgspec.to_builtins(self)
        del built["zeros"]
        for table, sensor in zip(built["sensors"], self.sensors, strict=True):
            table["ready"] = sensor.ready
        return {"ready": self.ready, **built}


def ready_path(bench_path: Path) -> Path:
    return bench_path.with_name(f"{bench_path.stem}.ready.json")


def read_ready(path: Path) -> Ready | None:
    """None where there is none, or none that can be read: a ride must not fail for it."""
    try:
        with path.open("rb") as file:
            return msgspec.json.decode(file.read(_MAX_BYTES), type=Ready)
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError):
        return None


def write_ready(path: Path, ready: Ready) -> None:
    """All or nothing.

    :raises FolderUnusable: where it cannot be written.
    """
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        beside.write_bytes(msgspec.json.format(msgspec.json.encode(ready)))
        beside.replace(path)
    except OSError as fault:
        beside.unlink(missing_ok=True)
        shown = safe_path(path)
        raise FolderUnusable(f"{shown} cannot be written ({fault.strerror}): the check is not kept.") from fault


def still_valid(ready: Ready | None, now_utc_ns: int, streams: tuple[str, ...]) -> Ready | None:
    """What of a check holds for a ride that begins now, for the streams that the bench has now."""
    if ready is None:
        return None
    age_s = (now_utc_ns - ready.checked_utc_ns) / 1e9
    if not -_CLOCK_SLACK_S <= age_s <= VALID_S:
        return None
    return msgspec.structs.replace(ready, sensors=tuple(s for s in ready.sensors if s.sensor in streams))


def keep_ready(ready: Ready, sink: RecordSink) -> None:
    """The check before the ride, as rows of the recording; zero offsets keep the rows of their own radio traffic."""
    for sensor in ready.sensors:
        sink.happened(
            Event.READY,
            sensor.sensor,
            ready=sensor.ready,
            words=sentence([finding.words for finding in sensor.findings if finding.blocks]),
            findings=msgspec.to_builtins(sensor.findings),
            checked_utc_ns=ready.checked_utc_ns,
            zero=msgspec.to_builtins(sensor.zero),
        )
