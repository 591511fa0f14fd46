"""Which device in the air is which sensor of the bench: by address, by serial, or by a name only one bears; pure.

Two devices that cannot be told apart are never taken silently: nothing is recorded under a name that may be wrong.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from analysis.safe_text import safe_text

SensorKind = Literal["meter", "cadence", "temperature"]


@dataclass(frozen=True)
class SensorTarget:
    """One radio of the bench. `match_serial` is part of who it is; `expected_serial` is only compared and told."""

    sensor: str
    kind: SensorKind = "meter"
    address: str | None = None
    match_name: str | None = None
    match_serial: str | None = None
    expected_serial: str | None = None

    def __post_init__(self) -> None:
        if not (self.address or self.match_name or self.match_serial):
            raise ValueError(f"{self.sensor}: give an address, a name or a serial to find it by")


@dataclass(frozen=True, slots=True)
class Candidate:
    """A device worth connecting to. With `must_serial` its serial is read before anything is recorded.

    `stated`: the bench file asks for that serial; otherwise the sensor has told it on an earlier link.
    """

    address: str
    seen_s: float
    must_serial: str | None = None
    stated: bool = True


@dataclass(frozen=True, slots=True)
class Ambiguous:
    words: str


@dataclass
class _Device:
    name: str | None
    measures: bool
    first_s: float
    seen_s: float | None


@dataclass
class _Bound:
    address: str | None = None
    serial: str | None = None
    rejected: set[str] = field(default_factory=set)


class SensorMatcher:
    """Collects what is seen; says for each sensor which device to try next."""

    def __init__(self, targets: Iterable[SensorTarget], settle_s: float, fresh_s: float) -> None:
        self._targets = {t.sensor: t for t in targets}
        self._settle_s = settle_s
        self._fresh_s = fresh_s
        self._names = {t.match_name for t in self._targets.values()} - {None}
        self._devices: dict[str, _Device] = {}
        self._bound = {name: _Bound() for name in self._targets}

    def observe(self, address: str, name: str | None, measures: bool, now_s: float) -> bool:
        """A fresh advertisement; `measures`: it offers a service that a sensor of ours would have.

        Whether this can be one of ours at all; others are not remembered, or a crowded hall would fill the memory.
        """
        key = address.upper()
        device = self._devices.get(key)
        if device is None:
            if not measures and key not in self._known_addresses() and name not in self._names:
                return False
            self._devices[key] = _Device(name, measures, now_s, now_s)
            return True
        # The first advertisement often lacks the name; a later one without it does not take it away.
        device.name = name or device.name
        device.measures |= measures
        device.seen_s = now_s
        return True

    def used(self, address: str) -> None:
        """An attempt used this sighting up; the next one needs a new advertisement."""
        device = self._devices.get(address.upper())
        if device is not None:
            device.seen_s = None

    def bind(self, sensor: str, address: str, serial: str | None) -> None:
        """The device at `address` is this sensor: known from now on by its address, or by its serial elsewhere."""
        bound = self._bound[sensor]
        bound.address = address.upper()
        bound.serial = serial or bound.serial

    def reject(self, sensor: str, address: str) -> None:
        """The device at `address` has another serial."""
        bound = self._bound[sensor]
        bound.rejected.add(address.upper())
        if bound.address == address.upper():
            bound.address = None  # whose address it is now, the serials will tell

    def serials_of_others(self, sensor: str) -> dict[str, str]:
        """Whose serials the bench file gives, by serial: a device that bears one of these is not `sensor`."""
        stated = {t.sensor: t.match_serial or t.expected_serial for t in self._targets.values()}
        own = stated.pop(sensor)
        return {serial: name for name, serial in stated.items() if serial is not None and serial != own}

    def match(self, sensor: str, now_s: float) -> Candidate | Ambiguous | None:
        target, bound = self._targets[sensor], self._bound[sensor]
        serial = target.match_serial or bound.serial
        stated = target.match_serial is not None or serial is None
        if target.address is not None:
            return self._at(target.address.upper(), serial, now_s, stated)
        if bound.address is not None and (same := self._at(bound.address, serial, now_s, stated)) is not None:
            return same
        if serial is not None:
            return self._first_with_serial(sensor, serial, now_s)
        return self._only_bearer(sensor, now_s) if bound.address is None else None

    def _at(self, address: str, must_serial: str | None, now_s: float, stated: bool = True) -> Candidate | None:
        device = self._devices.get(address)
        # An old sighting is none: the system may have forgotten the device, or the sensor may be gone.
        if device is None or device.seen_s is None or now_s - device.seen_s >= self._fresh_s:
            return None
        return Candidate(address, device.seen_s, must_serial, stated)

    def _known_addresses(self) -> set[str]:
        stated = {t.address.upper() for t in self._targets.values() if t.address}
        return stated | {b.address for b in self._bound.values() if b.address}

    def _bearers(self, sensor: str) -> dict[str, _Device]:
        """Devices that may be this sensor by name and are nobody else's."""
        target = self._targets[sensor]
        taken = self._known_addresses() - {self._bound[sensor].address}
        return {
            address: d
            for address, d in self._devices.items()
            if address not in taken and (d.name == target.match_name if target.match_name else d.measures)
        }

    def _first_with_serial(self, sensor: str, serial: str, now_s: float) -> Candidate | None:
        for address in self._bearers(sensor):
            if address not in self._bound[sensor].rejected:
                candidate = self._at(address, serial, now_s)
                if candidate is not None:
                    return candidate
        return None

    def _only_bearer(self, sensor: str, now_s: float) -> Candidate | Ambiguous | None:
        bearers = self._bearers(sensor)
        if len(bearers) > 1:
            name = safe_text(self._targets[sensor].match_name or "")
            places = ", ".join(sorted(bearers))
            return Ambiguous(f"{len(bearers)} devices call themselves {name} ({places}): give its address or serial")
        for address, device in bearers.items():
            if now_s - device.first_s >= self._settle_s:
                return self._at(address, None, now_s)
        return None
