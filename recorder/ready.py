"""What is not ready and why: compares what the sensors of a bench say with the bench file and with what is known."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any

from analysis.bench_file import Bench, Meter, Sensor, meter_streams
from recorder import ready_words as words
from recorder.ready_file import KEPT_ZEROS, Finding, Ready, SensorReady, ZeroTold, ZeroValue
from recorder.source import Identity
from recorder.zero_offset import ZeroOffsetAnswer

LOW_BATTERY_PCT = 20
WEAK_SIGNAL_DBM = -88
JUMP_NM = 0.3
JUMP_TIMES_USUAL = 5.0
USUAL_NEEDS = 4  # changes known, before one can be called unusual
NEW_DAYS = 7
BEDDING_IN_S = 600.0  # between the first zero offset after mounting and one that counts as "again"
CRANK_STEP_MM = 0.4  # sensors give it in steps of 0.5 mm

Zeros = Mapping[str, tuple[ZeroValue, ...]]


@dataclass(frozen=True)
class Heard:
    """What came from one stream while it was listened to. `identity` None: it was never reached."""

    identity: Identity | None = None
    rssi_dbm: int | None = None
    rate_hz: float | None = None
    zero: ZeroOffsetAnswer | None = None


def judge_ready(bench: Bench, heard: Mapping[str, Heard], known: Zeros, now_utc_ns: int, listened_s: float) -> Ready:
    """`known`: zero offsets of earlier checks, oldest first, by unit."""
    zeros = dict(known)
    sensors = []
    for stream, entry in streams_of(bench):
        here = heard.get(stream, Heard())
        key = _unit_key(stream, entry)
        before = zeros.get(key, ())
        zero = _zero_told(here.zero, before, now_utc_ns)
        if zero is not None and zero.value is not None:
            zeros[key] = (*before, zero.value)[-KEPT_ZEROS:]
        findings = _findings(here, entry, zero, zeros.get(key, ()), now_utc_ns, listened_s)
        sensors.append(_sensor_ready(stream, here, zero, tuple(findings)))
    return Ready(bench=bench.bench.name, checked_utc_ns=now_utc_ns, sensors=tuple(sensors), zeros=zeros)


def streams_of(bench: Bench) -> Iterator[tuple[str, Meter | Sensor]]:
    """Every stream with its entry in the bench file."""
    for meter in bench.meter:
        yield from ((stream, meter) for stream in meter_streams(meter))
    yield from ((sensor.name, sensor) for sensor in bench.sensor)


def _unit_key(stream: str, entry: Meter | Sensor) -> str:
    unit = entry.unit if isinstance(entry, Meter) else None
    return stream if unit is None else unit + stream.removeprefix(entry.name)


def _sensor_ready(stream: str, here: Heard, zero: ZeroTold | None, findings: tuple[Finding, ...]) -> SensorReady:
    said: dict[str, Any] = {} if here.identity is None else here.identity.as_dict()
    return SensorReady(
        sensor=stream,
        identity={key: value for key, value in said.items() if value is not None},
        features=words.feature_words(here.identity.feature_bits if here.identity else None),
        rssi_dbm=here.rssi_dbm,
        rate_hz=None if here.rate_hz is None else round(here.rate_hz, 2),
        zero=zero,
        findings=findings,
    )


def _zero_told(answer: ZeroOffsetAnswer | None, before: tuple[ZeroValue, ...], now_utc_ns: int) -> ZeroTold | None:
    if answer is None:
        return None
    value = None
    if answer.done and answer.raw is not None and answer.unit is not None:
        value = ZeroValue(now_utc_ns, answer.raw, answer.unit, answer.offset_nm)
    return ZeroTold(answer.outcome, answer.words, value, before[-1] if before else None)


def _findings(
    here: Heard,
    entry: Meter | Sensor,
    zero: ZeroTold | None,
    zeros: tuple[ZeroValue, ...],
    now_utc_ns: int,
    listened_s: float,
) -> Iterator[Finding]:
    identity = here.identity
    if identity is None:
        yield Finding("never_reached", words.never_reached(listened_s))
        return
    if here.rate_hz is None:
        yield Finding("no_data", words.says_nothing(), blocks=False)
    if identity.battery_pct is not None and identity.battery_pct < LOW_BATTERY_PCT:
        yield Finding("battery", words.low_battery(identity.battery_pct))
    if here.rssi_dbm is not None and here.rssi_dbm < WEAK_SIGNAL_DBM:
        yield Finding("signal", words.weak_signal(here.rssi_dbm), blocks=False)
    if isinstance(entry, Meter):
        yield from _against_bench(identity, entry)
        yield from _against_calendar(entry, zeros, now_utc_ns)
        yield from _against_earlier_zeros(zero, zeros)


def _against_bench(identity: Identity, meter: Meter) -> Iterator[Finding]:
    if meter.expected_firmware is not None and identity.firmware_revision != meter.expected_firmware:
        yield Finding("firmware", words.other_firmware(identity.firmware_revision, meter.expected_firmware))
    serial = meter.serial or (meter.match.serial if meter.match else None)
    if serial is not None and identity.serial is not None and identity.serial != serial:
        yield Finding("serial", words.other_serial(identity.serial, serial))
    found_mm, expected_mm = identity.crank_length_mm, meter.crank_length_mm
    if found_mm is not None and expected_mm is not None and abs(found_mm - expected_mm) > CRANK_STEP_MM:
        yield Finding("crank_length", words.other_crank_length(found_mm, expected_mm))


def _against_calendar(meter: Meter, zeros: tuple[ZeroValue, ...], now_utc_ns: int) -> Iterator[Finding]:
    if meter.mounted is None:
        return
    days = (_local_day(now_utc_ns) - meter.mounted).days
    since = [zero.utc_ns for zero in zeros if _local_day(zero.utc_ns) >= meter.mounted]
    zeroed_again = bool(since) and (since[-1] - since[0]) / 1e9 >= BEDDING_IN_S
    if 0 <= days <= NEW_DAYS and not zeroed_again:
        yield Finding("newly_mounted", words.newly_mounted(days))


def _against_earlier_zeros(zero: ZeroTold | None, zeros: tuple[ZeroValue, ...]) -> Iterator[Finding]:
    if zero is None:
        return
    if zero.value is None:
        if zero.outcome not in ("done", "unsupported"):
            yield Finding("zero_not_done", words.zero_not_done(zero.words))
        return
    alike = [z for z in zeros if z.unit == zero.value.unit]
    if len(alike) > 1 and zero_jumped(alike):
        change_nm = zero.value.offset_nm - (alike[-2].offset_nm or 0.0) if zero.value.offset_nm is not None else None
        jump = words.zero_jumped(zero.value.raw, alike[-2].raw, zero.value.unit, change_nm)
        yield Finding("zero_jumped", jump)


def zero_jumped(zeros: list[ZeroValue]) -> bool:
    """Whether the last of them is far from the one before: in N·m, or against what this unit usually does."""
    last, before = zeros[-1], zeros[-2]
    if (
        last.offset_nm is not None
        and before.offset_nm is not None
        and abs(last.offset_nm - before.offset_nm) > JUMP_NM
    ):
        return True
    changes = [abs(after.raw - earlier.raw) for earlier, after in pairwise(zeros)]
    if len(changes) <= USUAL_NEEDS:
        return False
    return changes[-1] > JUMP_TIMES_USUAL * max(1.0, median(changes[:-1]))


def _local_day(utc_ns: int) -> datetime.date:
    return datetime.datetime.fromtimestamp(utc_ns / 1e9, datetime.UTC).astimezone().date()
