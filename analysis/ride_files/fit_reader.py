"""Reads FIT activities: records before scaling, laps, pauses, devices; keeps what a file that was cut still has."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import fitdecode

from analysis.errors import BadRideFile
from analysis.ride_files.record_collector import MOST_RECORDS, RecordCollector
from analysis.ride_files.ride_file import UNKNOWN_DEVICE, DeviceFacts, Keep, Span
from analysis.safe_text import safe_text

# A day of records with many extra fields; the library takes about 1.5 µs for each byte.
MOST_BYTES = 16 << 20
# A record of a ride has some hundred bytes; definitions may be as wide as 64 KiB and cost as much for each message.
LARGEST_MESSAGE = 4000
MOST_DEFINED, MOST_DEFINED_FOR_EACH = 50_000, 12
MOST_LAPS = 2000

# FIT counts seconds from 1989-12-31 00:00 UTC; below this number they count from when the device was switched on.
FIT_EPOCH_S = 631_065_600
FIRST_UTC = 0x10000000

FILE_ID, LAP, RECORD, EVENT, DEVICE_INFO = 0, 19, 20, 21, 23
TIMESTAMP = 253
# Field numbers of the FIT profile by our names, which are the profile's.
_MEASURED = {
    3: "heart_rate",
    4: "cadence",
    6: "speed",
    7: "power",
    13: "temperature",
    29: "accumulated_power",
    30: "left_right_balance",
    53: "fractional_cadence",
    73: "enhanced_speed",
}
_POSITION = {0: "position_lat", 1: "position_long"}
_HEART_RATE = 3
TIMER, CALIBRATION = 0, 36
_STARTS, _STOPS = {0}, {1, 4, 8, 9}
BIKE_POWER_ANT, BIKE_POWER_BLE, SOURCE_BLE = 11, 2, 3

Values = dict[int, Any]


@dataclass
class FitContents:
    """What lies beside the records; times in ns as in `RideFile`."""

    recorder: DeviceFacts = UNKNOWN_DEVICE
    meter: DeviceFacts = UNKNOWN_DEVICE
    laps: list[Span] = field(default_factory=list)
    pauses: list[Span] = field(default_factory=list)
    calibrations_ns: list[int] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    damaged: bool = False


def fit_time_ns(raw: Any) -> int | None:
    """UTC ns, or ns since the device was switched on; None for what is no time."""
    if type(raw) is not int or raw < 0:
        return None
    return (raw + (FIT_EPOCH_S if raw >= FIRST_UTC else 0)) * 10**9


def is_utc(time_ns: int) -> bool:
    return time_ns >= FIRST_UTC * 10**9


def read_fit(data: bytes, collector: RecordCollector, keep: Keep) -> FitContents:
    """Records go to the collector.

    :raises BadRideFile: where nothing of it can be read, or reading it would take all day.
    """
    contents = FitContents()
    reading = _Reading(collector, keep, contents)
    fault = ""
    reader = fitdecode.FitReader(
        io.BytesIO(data),
        processor=None,
        check_crc=fitdecode.CrcCheck.READONLY,
        error_handling=fitdecode.ErrorHandling.IGNORE,
    )
    frames: Iterator[Any] = iter(reader)
    while True:
        try:
            frame = next(frames, None)
        except Exception as trouble:  # noqa: BLE001 - foreign bytes may break the library anywhere: the file ends there
            fault = safe_text(str(trouble) or type(trouble).__name__, 80)
            break
        if frame is None:
            break
        reading.take(frame)
    reading.close()
    if fault:
        if not len(collector):
            raise BadRideFile(f"{collector.where} starts like a FIT file, but no record in it can be read: {fault}")
        contents.damaged = True
        contents.remarks.append(f"cut short or damaged ({fault}): the {len(collector)} records before that are kept")
    return contents


class _Reading:
    def __init__(self, collector: RecordCollector, keep: Keep, contents: FitContents) -> None:
        self._collector = collector
        self._contents = contents
        self._wanted = {n: name for n, name in _MEASURED.items() if n != _HEART_RATE or keep.heart_rate}
        if keep.position:
            self._wanted |= _POSITION
        self._defined = 0
        self._files = 0
        self._messages = 0
        self._stopped_ns: int | None = None
        self._meters: list[DeviceFacts] = []

    def take(self, frame: Any) -> None:
        if isinstance(frame, fitdecode.FitDataMessage):
            self._messages += 1
            if self._messages > 3 * MOST_RECORDS:
                raise BadRideFile(f"{self._collector.where} has more messages than any ride; cut it first")
            self._message(frame)
        elif isinstance(frame, fitdecode.FitDefinitionMessage):
            self._definition(frame)
        elif isinstance(frame, fitdecode.FitHeader):
            self._files += 1
        elif isinstance(frame, fitdecode.FitCRC) and not frame.matched:
            self._contents.damaged = True
            self._contents.remarks.append("its checksum does not match: something in it was changed")

    def _definition(self, frame: Any) -> None:
        fields = list(frame.all_field_defs)  # an iterator where developer fields are among them
        self._defined += 1 + len(fields)
        # Some devices define anew before each message, but none defines and never sends.
        most = MOST_DEFINED + MOST_DEFINED_FOR_EACH * self._messages
        if sum(f.size for f in fields) > LARGEST_MESSAGE or self._defined > most:
            raise BadRideFile(f"{self._collector.where} defines messages as no ride has them; it is not read")

    def _message(self, frame: Any) -> None:
        number, values = frame.global_mesg_num, _values(frame)
        time_ns = fit_time_ns(values.get(TIMESTAMP))
        if number == RECORD:
            raw = {name: values[n] for n, name in self._wanted.items() if type(values.get(n)) is int}
            self._collector.add(time_ns, raw)
        elif number == EVENT and time_ns is not None:
            self._event(time_ns, values)
        elif number == LAP:
            self._lap(fit_time_ns(values.get(2)), time_ns)
        elif number == FILE_ID:
            self._contents.recorder = _device(frame, manufacturer=1, product=(8, 2))
        elif number == DEVICE_INFO:
            self._device_info(values, frame)

    def _event(self, time_ns: int, values: Values) -> None:
        kind = values.get(1)
        if values.get(0) == CALIBRATION:
            self._contents.calibrations_ns.append(time_ns)
        if values.get(0) != TIMER:
            return
        if kind in _STOPS and self._stopped_ns is None:
            self._stopped_ns = time_ns
        elif kind in _STARTS and self._stopped_ns is not None:
            if time_ns > self._stopped_ns:
                self._contents.pauses.append(Span(self._stopped_ns, time_ns))
            self._stopped_ns = None

    def _lap(self, start_ns: int | None, stop_ns: int | None) -> None:
        laps = self._contents.laps
        if start_ns is not None and stop_ns is not None and stop_ns > start_ns and len(laps) < MOST_LAPS:
            laps.append(Span(start_ns, stop_ns, f"lap {len(laps) + 1}"))

    def _device_info(self, values: Values, frame: Any) -> None:
        kind, source = values.get(1), values.get(25)
        if (source == SOURCE_BLE and kind == BIKE_POWER_BLE) or (source != SOURCE_BLE and kind == BIKE_POWER_ANT):
            self._meters.append(_device(frame, manufacturer=2, product=(27, 4)))
        elif values.get(0) == 0:  # device index 0 wrote the file
            firmware = _device(frame, manufacturer=2, product=(27, 4)).firmware
            self._contents.recorder = replace(self._contents.recorder, firmware=firmware)

    def close(self) -> None:
        if self._files > 1:
            self._contents.remarks.append(f"{self._files} FIT files in one, read as one ride")
        serials = {m.serial for m in self._meters if m.serial is not None}
        if len(serials) > 1:
            self._contents.remarks.append(
                f"power meters of the serials {', '.join(sorted(serials))} were linked; which sent what is not told"
            )
        elif self._meters:
            self._contents.meter = self._meters[-1]


def _values(frame: Any) -> Values:
    """By number of the profile, before scaling; fields of developers are left out: their numbers are their own."""
    found: Values = {}
    for data in frame.fields:
        definition = data.field_def
        if definition is not None:
            if not definition.is_dev:
                found[definition.def_num] = data.raw_value
        elif data.name == "timestamp":
            found[TIMESTAMP] = data.raw_value  # from the header of a record with a compressed time
    return found


def _device(frame: Any, *, manufacturer: int, product: tuple[int, int]) -> DeviceFacts:
    """Serial (3) and software version (5, hundredths) have the same numbers in both messages that name a device."""
    told = {d.field_def.def_num: d.value for d in frame.fields if d.field_def is not None and not d.field_def.is_dev}
    name, code = (told.get(n) for n in product)
    version = told.get(5) if frame.global_mesg_num == DEVICE_INFO else None
    return DeviceFacts(
        _text(told.get(manufacturer)),
        _text(name) or _text(code),
        _text(told.get(3)),
        f"{version:.2f}" if isinstance(version, int | float) else None,
    )


def _text(value: Any) -> str | None:
    return safe_text(str(value)).strip() or None if isinstance(value, str | int) else None
