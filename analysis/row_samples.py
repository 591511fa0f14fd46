"""Gathers rows one by one into the same samples that a finished recording of these rows is read as."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from analysis.rows import Row
from analysis.samples import (
    CADENCE_ORDER,
    CRANK_COLUMNS,
    POWER_ORDER,
    TORQUE_COLUMNS,
    Ints,
    SensorSamples,
    Series,
    empty_series,
)
from analysis.untimed import takes_dates, with_untimed

MEASURED = frozenset({"notification", "imported", "relayed"})
FIRST_CAPACITY = 64


class _Columns:
    """Aligned columns that grow behind what was handed out: an earlier view of them never changes."""

    def __init__(self, names: Iterable[str] = ()) -> None:
        self.names = tuple(names)
        self.length = 0
        self._last_ns = -math.inf
        self._host_ns = np.empty(FIRST_CAPACITY, np.int64)
        self._values = np.empty((len(self.names), FIRST_CAPACITY))

    @property
    def host_ns(self) -> Ints:
        return self._host_ns[: self.length]

    def series(self, name: str) -> Series:
        return Series(self.host_ns, self._values[self.names.index(name), : self.length])

    def add(self, host_ns: int, *values: float) -> None:
        place = self.length
        if host_ns < self._last_ns:
            place = int(np.searchsorted(self.host_ns, host_ns, side="right"))
            self._make_room(place)
        else:
            self._last_ns = host_ns
            if place == len(self._host_ns):
                self._reserve(2 * place)
        self._host_ns[place] = host_ns
        for column, value in enumerate(values):
            self._values[column, place] = value
        self.length += 1

    def _reserve(self, capacity: int) -> None:
        host_ns, values = self._host_ns, self._values
        self._host_ns = np.empty(capacity, np.int64)
        self._values = np.empty((len(self.names), capacity))
        self._host_ns[: self.length] = host_ns[: self.length]
        self._values[:, : self.length] = values[:, : self.length]

    def _make_room(self, place: int) -> None:
        """For a row that comes late: in new arrays, since the old ones may have been handed out."""
        self._reserve(2 * (self.length + 1))
        self._host_ns[place + 1 : self.length + 1] = self._host_ns[place : self.length]
        self._values[:, place + 1 : self.length + 1] = self._values[:, place : self.length]


@dataclass
class _Stream:
    """One characteristic of one sensor."""

    arrivals: _Columns = field(default_factory=_Columns)
    power: _Columns = field(default_factory=lambda: _Columns(["power_w"]))
    cadence: _Columns = field(default_factory=lambda: _Columns(["cadence_rpm"]))
    balance: _Columns = field(default_factory=lambda: _Columns(["balance_left_pct"]))
    torque: _Columns = field(default_factory=lambda: _Columns(TORQUE_COLUMNS))
    crank: _Columns = field(default_factory=lambda: _Columns(CRANK_COLUMNS))
    balance_reference: str | None = None
    reference_ns: int = 0

    def add(self, host_ns: int, found: Mapping[str, Any]) -> None:
        self.arrivals.add(host_ns)
        if not found:
            return
        _add_known(self.power, host_ns, found.get("power_w"))
        _add_known(self.cadence, host_ns, found.get("cadence_rpm"))
        _add_known(self.balance, host_ns, found.get("balance_left_pct"))
        if found.get("balance_reference") and host_ns >= self.reference_ns:
            self.balance_reference, self.reference_ns = found["balance_reference"], host_ns
        _add_packet(self.crank, host_ns, found)
        _add_packet(self.torque, host_ns, found)


@dataclass
class _Sensor:
    streams: dict[str, _Stream] = field(default_factory=dict)
    temperature: _Columns = field(default_factory=lambda: _Columns(["temperature_c"]))
    battery: _Columns = field(default_factory=lambda: _Columns(["battery_pct"]))
    heard_ns: int = 0
    relayed: bool = False

    def add(self, row: Row, found: Mapping[str, Any]) -> None:
        self.heard_ns = max(self.heard_ns, row.host_ns)
        self.relayed = self.relayed or row.row_kind == "relayed"
        name = "imported" if row.row_kind == "imported" else row.characteristic or ""
        stream = self.streams.get(name)
        if stream is None:
            stream = self.streams[name] = _Stream()
        stream.add(row.host_ns, found)
        _add_known(self.temperature, row.host_ns, found.get("temperature_c"))
        _add_known(self.battery, row.host_ns, found.get("battery_pct"))

    def samples(self, sensor: str) -> SensorSamples:
        power = next((s for c in POWER_ORDER if (s := self.streams.get(c)) and s.power.length), None)
        cadence = next((s for c in CADENCE_ORDER if (s := self.streams.get(c)) and s.cadence.length), None)
        crank = next((s for c in CADENCE_ORDER if (s := self.streams.get(c)) and s.crank.length), None)
        main = power or cadence or crank
        nothing = empty_series()
        return SensorSamples(
            sensor=sensor,
            power_w=power.power.series("power_w") if power else nothing,
            cadence_rpm=cadence.cadence.series("cadence_rpm") if cadence else nothing,
            balance_left_pct=power.balance.series("balance_left_pct") if power else nothing,
            balance_reference=power.balance_reference if power else None,
            temperature_c=self.temperature.series("temperature_c"),
            battery_pct=self.battery.series("battery_pct"),
            torque_packets=_packets(power.torque) if power else {},
            crank_packets=_packets(cadence.crank) if cadence else {},
            arrivals_ns=main.arrivals.host_ns if main else nothing.host_ns,
        )


class SampleGatherer:
    """Give it every row with the fields that `RowDecoder` finds in it, in host order; a late row is put in its place.

    `samples` costs nothing that grows with the ride, and what it has returned stays as it was. `untimed`: events that
    take the date from what came before them.
    """

    def __init__(self) -> None:
        self.events: list[Row] = []
        self.untimed: list[Row] = []
        self.last_ns = 0
        self._sensors: dict[str, _Sensor] = {}

    def add(self, row: Row, found: Mapping[str, Any]) -> None:
        self.last_ns = max(self.last_ns, row.host_ns)
        if row.event is not None:
            self.events.append(row)
        if takes_dates(row):
            self.untimed.append(row)
        if row.row_kind not in MEASURED or not row.sensor:
            return
        sensor = self._sensors.get(row.sensor)
        if sensor is None:
            sensor = self._sensors[row.sensor] = _Sensor()
        sensor.add(row, found)

    def samples(self) -> dict[str, SensorSamples]:
        """Of every sensor that measured anything, as `recording_reader.read_recording` gives them."""
        return {
            name: with_untimed(sensor.samples(name), self.untimed, relayed=sensor.relayed)
            for name, sensor in self._sensors.items()
        }

    def heard_ns(self, sensor: str) -> int | None:
        """When it last sent anything."""
        found = self._sensors.get(sensor)
        return None if found is None else found.heard_ns


def samples_since(samples: SensorSamples, from_ns: int) -> SensorSamples:
    """What was received from then on, and one value of each kind from before, which may still be held."""
    return replace(
        samples,
        power_w=_since(samples.power_w, from_ns),
        cadence_rpm=_since(samples.cadence_rpm, from_ns),
        balance_left_pct=_since(samples.balance_left_pct, from_ns),
        temperature_c=_since(samples.temperature_c, from_ns),
        battery_pct=_since(samples.battery_pct, from_ns),
        torque_packets={},
        crank_packets={name: _since(series, from_ns) for name, series in samples.crank_packets.items()},
        arrivals_ns=samples.arrivals_ns[_first(samples.arrivals_ns, from_ns) :],
        untimed_ns=samples.untimed_ns[samples.untimed_ns[:, 1] > from_ns],
    )


def _since(series: Series, from_ns: int) -> Series:
    first = _first(series.host_ns, from_ns)
    return Series(series.host_ns[first:], series.values[first:])


def _first(host_ns: Ints, from_ns: int) -> int:
    return max(int(np.searchsorted(host_ns, from_ns)) - 1, 0)


def _packets(columns: _Columns) -> dict[str, Series]:
    return {name: columns.series(name) for name in columns.names} if columns.length else {}


def _add_packet(columns: _Columns, host_ns: int, found: Mapping[str, Any]) -> None:
    """A row that has the first of the columns."""
    if not math.isnan(_number(found.get(columns.names[0]))):
        columns.add(host_ns, *(_number(found.get(name)) for name in columns.names))


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _add_known(columns: _Columns, host_ns: int, value: Any) -> None:
    """nan counts as absent, as it does in a file."""
    if not math.isnan(_number(value)):
        columns.add(host_ns, float(value))
