"""What every file of another device becomes: records on that device's own clock, who made it, and what was odd."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.samples import Floats, Ints

Kind = Literal["fit", "tcx", "gpx", "csv"]

# No record stands for longer than a live sensor's last value would. A device that records only when something changes
# writes what it read at that instant, not the mean since: held for longer it would be invented.
LONGEST_HOLD_S = 2.5
# Evenly spaced records stand for their own step and a little more, so that two clocks that differ by parts in a
# thousand leave no hole after each; a step without a record stays missing.
HOLD_STEPS = 1.1


@dataclass(frozen=True)
class Keep:
    """What is nobody's business unless asked for; kept in the payload only."""

    position: bool = False
    heart_rate: bool = False


@dataclass(frozen=True)
class DeviceFacts:
    """As the file says, made harmless; None where it does not."""

    manufacturer: str | None = None
    product: str | None = None
    serial: str | None = None
    firmware: str | None = None

    def as_dict(self) -> dict[str, str]:
        known = {
            "manufacturer": self.manufacturer,
            "product": self.product,
            "serial": self.serial,
            "firmware": self.firmware,
        }
        return {key: value for key, value in known.items() if value is not None}


UNKNOWN_DEVICE = DeviceFacts()


@dataclass(frozen=True)
class Span:
    """Half open, on the device's own clock."""

    start_ns: int
    stop_ns: int
    name: str = ""

    @property
    def seconds(self) -> float:
        return (self.stop_ns - self.start_ns) / 1e9


@dataclass(frozen=True, eq=False)
class RideFile:
    """One file as read.

    `time_ns` (n,) rises strictly: UTC ns where `utc_known`, else ns since a start of the device's own. `payloads`
    (n): each record as taken from the file, to be decoded again by `record_payload.decode_record`; `columns`: what
    that gives, each (n,) with nan where missing. `spacing_s` is the usual step between records; `uneven` where many
    steps differ from it, as with a device that records only changes. `recorder` wrote the file, `meter` measured.
    `calibrations_ns`: when the file says that a sensor was calibrated. `damaged`: cut short,
    or its checksum is wrong.
    """

    name: str
    sha256: str
    kind: Kind
    utc_known: bool
    time_ns: Ints
    payloads: tuple[bytes, ...]
    columns: Mapping[str, Floats]
    balance_reference: str | None
    spacing_s: float
    uneven: bool
    recorder: DeviceFacts = UNKNOWN_DEVICE
    meter: DeviceFacts = UNKNOWN_DEVICE
    laps: tuple[Span, ...] = ()
    pauses: tuple[Span, ...] = ()
    calibrations_ns: tuple[int, ...] = ()
    remarks: tuple[str, ...] = ()
    damaged: bool = False

    def column(self, name: str) -> Floats:
        found = self.columns.get(name)
        return np.full(len(self.time_ns), np.nan) if found is None else found

    @property
    def power_w(self) -> Floats:
        return self.column("power_w")

    @property
    def cadence_rpm(self) -> Floats:
        return self.column("cadence_rpm")

    @property
    def has_power(self) -> bool:
        return bool(np.isfinite(self.power_w).any())

    @property
    def start_ns(self) -> int:
        return int(self.time_ns[0])

    @property
    def stop_ns(self) -> int:
        return int(self.time_ns[-1])

    @property
    def hold_s(self) -> float:
        """How long a record stands for the present where none follows."""
        if self.uneven or not math.isfinite(self.spacing_s):
            return LONGEST_HOLD_S
        return min(HOLD_STEPS * self.spacing_s, LONGEST_HOLD_S)
