"""What one sensor measured, as frozen numpy columns: the one shape of data that every figure is computed from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# A sensor may send the same quantity in several characteristics; the first that it does send counts.
POWER_ORDER = ("2a63", "2ad2", "imported")
CADENCE_ORDER = ("2a63", "2a5b", "2ad2", "imported")
# Aligned in `SensorSamples.torque_packets`.
TORQUE_COLUMNS = (
    "accumulated_torque_nm",
    "crank_revolutions",
    "crank_event_s",
    "wheel_revolutions",
    "wheel_event_s",
    "power_w",
)
# Aligned in `SensorSamples.crank_packets`.
CRANK_COLUMNS = ("crank_revolutions", "cadence_rpm")


@dataclass(frozen=True)
class Series:
    """Values (n,) with their arrival times (n,) in ns since the start of the recording, not decreasing."""

    host_ns: Ints
    values: Floats

    def __len__(self) -> int:
        return len(self.host_ns)

    def at(self, host_ns: Ints) -> Floats:
        """The latest value at or before each time; nan before the first."""
        if not len(self):
            return np.full(len(host_ns), np.nan)
        index = np.searchsorted(self.host_ns, host_ns, side="right") - 1
        return np.where(index >= 0, self.values[np.maximum(index, 0)], np.nan)


def empty_series() -> Series:
    return Series(np.empty(0, np.int64), np.empty(0))


@dataclass(frozen=True)
class SensorSamples:
    """One sensor's measurements. `arrivals_ns`: every notification of the characteristic that carries power
    (cadence for a cadence sensor), understood or not; rate and gaps are judged on it.

    `torque_packets` are the rows with accumulated torque, `crank_packets` those of the cadence's characteristic that
    count turns: Series for each column, aligned, nan for absent. `untimed_ns` (k, 2): stretches, apart and in order,
    in which an arrival does not tell when something was measured.
    """

    sensor: str
    power_w: Series = field(default_factory=empty_series)
    cadence_rpm: Series = field(default_factory=empty_series)
    balance_left_pct: Series = field(default_factory=empty_series)
    balance_reference: str | None = None
    temperature_c: Series = field(default_factory=empty_series)
    battery_pct: Series = field(default_factory=empty_series)
    torque_packets: Mapping[str, Series] = field(default_factory=dict)
    crank_packets: Mapping[str, Series] = field(default_factory=dict)
    arrivals_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    hold_s: float | None = None  # how long its values stand, where a file of records tells; else by the grid's rule
    untimed_ns: Ints = field(default_factory=lambda: np.empty((0, 2), np.int64))


def sensor_samples(sensor: str, columns: Mapping[str, Any]) -> SensorSamples:
    """Build from one sensor's payload rows in host order.

    `columns` holds aligned arrays: `host_ns` (int64), `characteristic` (str) and, each optional, the
    decoded columns as float64 with nan for absent; `balance_reference` as str, "" for absent.
    """
    host_ns = np.asarray(columns["host_ns"], np.int64)
    characteristic = np.asarray(columns["characteristic"], str)
    power_from = _first_with(columns, "power_w", characteristic, POWER_ORDER)
    cadence_from = _first_with(columns, "cadence_rpm", characteristic, CADENCE_ORDER)
    power_rows = characteristic == (power_from or "none")
    cadence_rows = characteristic == (cadence_from or "none")
    main = power_from or cadence_from or _first_with(columns, "crank_revolutions", characteristic, CADENCE_ORDER)
    references = np.asarray(columns.get("balance_reference", np.full(len(host_ns), "")), str)[power_rows]
    known = references[references != ""]
    return SensorSamples(
        sensor=sensor,
        power_w=_series(columns, "power_w", host_ns, power_rows),
        cadence_rpm=_series(columns, "cadence_rpm", host_ns, cadence_rows),
        balance_left_pct=_series(columns, "balance_left_pct", host_ns, power_rows),
        balance_reference=str(known[-1]) if known.size else None,
        temperature_c=_series(columns, "temperature_c", host_ns, np.ones(len(host_ns), bool)),
        battery_pct=_series(columns, "battery_pct", host_ns, np.ones(len(host_ns), bool)),
        torque_packets=_packets(columns, host_ns, power_rows, TORQUE_COLUMNS),
        crank_packets=_packets(columns, host_ns, cadence_rows, CRANK_COLUMNS),
        arrivals_ns=host_ns[characteristic == main] if main else host_ns[:0],
    )


def _values(columns: Mapping[str, Any], name: str, length: int) -> Floats:
    found = columns.get(name)
    return np.full(length, np.nan) if found is None else np.asarray(found, np.float64)


def _first_with(columns: Mapping[str, Any], name: str, characteristic: Any, order: tuple[str, ...]) -> str | None:
    present = ~np.isnan(_values(columns, name, len(characteristic)))
    return next((c for c in order if bool(np.any(present & (characteristic == c)))), None)


def _series(columns: Mapping[str, Any], name: str, host_ns: Ints, rows: Any) -> Series:
    values = _values(columns, name, len(host_ns))
    use = rows & ~np.isnan(values)
    return Series(host_ns[use], values[use])


def _packets(columns: Mapping[str, Any], host_ns: Ints, rows: Any, names: tuple[str, ...]) -> dict[str, Series]:
    """The rows that have the first of these columns."""
    use = rows & ~np.isnan(_values(columns, names[0], len(host_ns)))
    if not bool(np.any(use)):
        return {}
    return {name: Series(host_ns[use], _values(columns, name, len(host_ns))[use]) for name in names}
