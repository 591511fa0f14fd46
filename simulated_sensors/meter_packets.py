"""How a measurement becomes the payloads of a sensor: rounding, and counters that wrap and restart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.characteristics.cycling_power_measurement import (
    CRANK_TICKS_PER_S,
    TORQUE_UNITS_PER_NM,
    WHEEL_TICKS_PER_S,
    CyclingPowerMeasurement,
)
from analysis.characteristics.cycling_speed_cadence import CyclingSpeedCadence
from analysis.characteristics.indoor_bike_data import IndoorBikeData
from simulated_sensors import crank_torque
from simulated_sensors.meter_faults import CounterReset
from simulated_sensors.meter_model import Counts, Measurement
from simulated_sensors.ride import Ride
from simulated_sensors.seeded_noise import Floats, generator
from simulated_sensors.sensor_spec import SensorSpec

_NEAR_ROLL_OVER = 400


class MeterPackets:
    """Payloads by packet number of `measurement`. Counters start anywhere, often shortly before they wrap."""

    def __init__(self, spec: SensorSpec, ride: Ride, measurement: Measurement, seed: int) -> None:
        self._spec = spec
        self._measurement = measurement
        self._restarts_s = sorted(
            fault.at_s + fault.seconds for fault in spec.faults if isinstance(fault, CounterReset)
        )
        rng = generator(seed, spec.name, "counters")
        self._power_w = _whole(measurement.power_w / spec.resolution_w, -32768, 32767) * spec.resolution_w
        self._crank_turns = self._counted(measurement.crank_turns, _start(rng, 16)) % (1 << 16)
        self._wheel_turns = self._counted(measurement.wheel_turns, _start(rng, 32)) % (1 << 32)
        torque_raw = np.floor(measurement.torque_nm * TORQUE_UNITS_PER_NM).astype(np.int64)
        self._torque_raw = self._counted(torque_raw, _start(rng, 16)) % (1 << 16)
        self._energy_kj = self._counted(measurement.energy_kj.astype(np.int64), 0) % (1 << 16)
        switched_on_s = float(rng.uniform(-3600.0, -60.0))
        self._crank_ticks = self._ticks(measurement.crank_event_s, switched_on_s, CRANK_TICKS_PER_S)
        self._wheel_ticks = self._ticks(measurement.wheel_event_s, switched_on_s, WHEEL_TICKS_PER_S)
        self._balance_raw = _whole(measurement.left_share * 200, 0, 200)
        known_s = measurement.at_s - spec.model.lag_s
        self._cadence_rpm = ride.cadence_at(known_s)
        self._speed_kmh = self._cadence_rpm * 0.06 * ride.drivetrain.gear_ratio * ride.drivetrain.wheel_m
        self._extremes = crank_torque.extremes(
            crank_torque.mean_torque_nm(measurement.power_w, self._cadence_rpm),
            ride.left_share_at(known_s),
            ride.posture_at(known_s),
        )

    def power(self, k: int) -> bytes:
        sends = self._spec.contents
        crank, wheel, extremes = "crank" in sends, "wheel" in sends, "extremes" in sends
        at = self._extremes
        return bytes(
            CyclingPowerMeasurement(
                power_w=int(self._power_w[k]),
                balance_raw=int(self._balance_raw[k]) if "balance" in sends else None,
                balance_reference=self._spec.balance_reference if "balance" in sends else "unknown",
                accumulated_torque_raw=int(self._torque_raw[k]) if "torque" in sends else None,
                torque_source="wheel" if self._spec.model.behind_chain or "torque" not in sends else "crank",
                wheel_revolutions=int(self._wheel_turns[k]) if wheel else None,
                wheel_event_ticks=int(self._wheel_ticks[k]) if wheel else None,
                crank_revolutions=int(self._crank_turns[k]) if crank else None,
                crank_event_ticks=int(self._crank_ticks[k]) if crank else None,
                torque_max_raw=_torque_raw(at.max_nm[k]) if extremes else None,
                torque_min_raw=_torque_raw(at.min_nm[k]) if extremes else None,
                angle_max_deg=round(float(at.max_deg[k])) % 360 if extremes else None,
                angle_min_deg=round(float(at.min_deg[k])) % 360 if extremes else None,
                accumulated_energy_kj=int(self._energy_kj[k]) if "energy" in sends else None,
            )
        )

    def cadence(self, k: int) -> bytes:
        return bytes(
            CyclingSpeedCadence(
                crank_revolutions=int(self._crank_turns[k]), crank_event_ticks=int(self._crank_ticks[k])
            )
        )

    def trainer(self, k: int) -> bytes:
        return bytes(
            IndoorBikeData(
                speed_raw=round(100 * float(self._speed_kmh[k])),
                cadence_raw=round(2 * float(self._cadence_rpm[k])),
                power_w=int(self._power_w[k]),
                elapsed_s=int(self._measurement.at_s[k]) % (1 << 16),
            )
        )

    def _counted(self, total: Counts, start: int) -> Counts:
        counted = total + start
        for restart_s in self._restarts_s:
            after = self._measurement.at_s >= restart_s
            counted[after] = total[after] - (total[after][0] if after.any() else 0)
        return counted

    def _ticks(self, event_s: Floats, switched_on_s: float, ticks_per_s: int) -> Counts:
        """Event times on the unit's own clock, which begins again at a restart."""
        clock_s = event_s - switched_on_s
        for restart_s in self._restarts_s:
            after = self._measurement.at_s >= restart_s
            clock_s[after] = np.maximum(event_s[after] - restart_s, 0.0)
        return np.floor(clock_s * ticks_per_s).astype(np.int64) % (1 << 16)


def _start(rng: np.random.Generator, bits: int) -> int:
    """Half of all counters begin shortly before they wrap, so that every ride has some that do."""
    near, anywhere = int(rng.integers(1, _NEAR_ROLL_OVER)), int(rng.integers(1 << bits))
    return (1 << bits) - near if rng.uniform() < 0.5 else anywhere


def _whole(values: Floats, least: int, greatest: int) -> NDArray[np.int64]:
    return np.clip(np.rint(values), least, greatest).astype(np.int64)


def _torque_raw(torque_nm: float) -> int:
    return max(-32768, min(32767, round(float(torque_nm) * TORQUE_UNITS_PER_NM)))
