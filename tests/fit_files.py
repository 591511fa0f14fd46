"""Writes FIT activities with the independent library fit-tool, for reading them back with ours."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fit_tool.fit_file_builder import FitFileBuilder
from fit_tool.profile.messages.device_info_message import DeviceInfoMessage
from fit_tool.profile.messages.event_message import EventMessage
from fit_tool.profile.messages.file_id_message import FileIdMessage
from fit_tool.profile.messages.lap_message import LapMessage
from fit_tool.profile.messages.record_message import RecordMessage
from fit_tool.profile.profile_type import Event, EventType, FileType, SourceType

UTC_S = 1_795_615_031  # 2026-11-25 13:57:11 UTC
FIT_S = UTC_S - 631_065_600  # the same as FIT counts: since 1989-12-31 00:00 UTC
RECORDER_SERIAL = 4711
BIKE_POWER = 11  # device type of the ANT+ profile


@dataclass
class FitRide:
    """What to write. `records`: seconds from `start_s` to values by their names in fit-tool, None for invalid."""

    records: Sequence[tuple[int, Mapping[str, Any]]]
    start_s: int = UTC_S
    laps: Sequence[tuple[int, int]] = ()
    pauses: Sequence[tuple[int, int]] = ()
    meter_serial: int | None = None
    meter_firmware: float = 3.41


def fit_bytes(ride: FitRide) -> bytes:
    builder = FitFileBuilder(auto_define=True)
    about = _filled(_new(FileIdMessage, 0), type=FileType.ACTIVITY, manufacturer=255, product=7)
    builder.add(_filled(about, serial_number=RECORDER_SERIAL))
    return _rest(builder, ride)


def fit_of(
    power_w: Iterable[float], start_s: int = UTC_S, cadence_rpm: Iterable[float] | None = None, **more: Any
) -> bytes:
    """One record a second; nan is a second without a record."""
    records = []
    turning = None if cadence_rpm is None else list(cadence_rpm)
    for second, power in enumerate(power_w):
        if math.isnan(power):
            continue
        values = {"power": round(power)}
        if turning is not None and not math.isnan(turning[second]):
            values["cadence"] = round(turning[second])
        records.append((second, values))
    return fit_bytes(FitRide(records, start_s, **more))


def plain_fit(rows: Iterable[tuple[int, int | None, int | None]]) -> bytes:
    """Records of (time as FIT counts it, watts, rpm) by hand after the FIT protocol, without checksum: much quicker.

    One definition (timestamp uint32, power uint16, cadence uint8) and its data messages; all ones are invalid.
    """
    body = b"\x40\x00\x00\x14\x00\x03\xfd\x04\x86\x07\x02\x84\x04\x01\x02" + b"".join(
        b"\x00" + struct.pack("<IHB", at, 0xFFFF if power is None else power, 0xFF if cadence is None else cadence)
        for at, power, cadence in rows
    )
    return struct.pack("<2BHI4s", 12, 0x20, 2100, len(body), b".FIT") + body + b"\x00\x00"


def _rest(builder: Any, ride: FitRide) -> bytes:
    def at(second: int) -> int:
        return (ride.start_s + second) * 1000

    timer = {"event": Event.TIMER}
    begun = _filled(_new(EventMessage, 1), timestamp=at(0), event_type=EventType.START, **timer)
    builder.add(begun)
    if ride.meter_serial is not None:
        about = {"source_type": SourceType.ANTPLUS, "device_index": 3, "manufacturer": 255, "product": 9}
        info = _filled(_new(DeviceInfoMessage, 2), timestamp=at(0), serial_number=ride.meter_serial, **about)
        builder.add(_filled(info, device_type=BIKE_POWER, software_version=ride.meter_firmware))
    happenings = [(start, EventType.STOP_ALL) for start, _ in ride.pauses]
    happenings += [(stop, EventType.START) for _, stop in ride.pauses]
    waiting = sorted(happenings, key=lambda h: h[0])
    names = sorted({name for _, values in ride.records for name in values})
    for second, values in ride.records:
        while waiting and waiting[0][0] <= second:
            when, kind = waiting.pop(0)
            builder.add(_filled(_new(EventMessage, 1), timestamp=at(when), event_type=kind, **timer))
        record = _filled(_new(RecordMessage, 3), timestamp=at(second))
        builder.add(_filled(record, **{name: values.get(name) for name in names}))
    for start, stop in ride.laps:
        lap = _filled(_new(LapMessage, 4), timestamp=at(stop), start_time=at(start))
        builder.add(_filled(lap, total_elapsed_time=float(stop - start)))
    data: bytes = builder.build().to_bytes()
    return data


def _new(kind: Any, local_id: int) -> Any:
    return kind(local_id=local_id)


def _filled(message: Any, **values: Any) -> Any:
    for name, value in values.items():
        setattr(message, name, value)
    return message
