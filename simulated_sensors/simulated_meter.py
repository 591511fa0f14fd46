"""A simulated sensor as the radio sees it: its services and strings, its packets in order of time, its answers."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np

from analysis.characteristics import registry
from analysis.characteristics.battery_level import BatteryLevel
from analysis.characteristics.cycling_power_feature import CyclingPowerFeature, FeatureBit
from analysis.characteristics.sensor_location import SensorLocation
from analysis.characteristics.temperature import Temperature
from simulated_sensors.control_point_dialogue import ControlPointDialogue
from simulated_sensors.meter_faults import Deliveries, link_changes, spoiled_payload, with_faults
from simulated_sensors.meter_model import Measurement, measure
from simulated_sensors.meter_packets import MeterPackets
from simulated_sensors.ride import Ride
from simulated_sensors.seeded_noise import Floats, generator
from simulated_sensors.sensor import Answer, LinkChange, Packet, Refusal
from simulated_sensors.sensor_spec import Content, Kind, SensorSpec
from simulated_sensors.trainer_dialogue import TRAINER_VALUES, TrainerDialogue

_BATTERY_EVERY_S = 60.0
_SECOND_SERVICE_AFTER_S = 0.01
_TURNING_RPM = 5.0

_SERVICES: dict[Kind, dict[str, tuple[str, ...]]] = {
    "meter": {
        registry.CYCLING_POWER_SERVICE: (
            registry.CYCLING_POWER_MEASUREMENT,
            registry.CYCLING_POWER_FEATURE,
            registry.SENSOR_LOCATION,
            registry.CYCLING_POWER_CONTROL_POINT,
        )
    },
    "cadence": {registry.SPEED_CADENCE_SERVICE: (registry.SPEED_CADENCE_MEASUREMENT,)},
    "temperature": {registry.ENVIRONMENTAL_SENSING_SERVICE: (registry.TEMPERATURE,)},
}
_FEATURE_OF: dict[Content, tuple[FeatureBit, ...]] = {
    "balance": (FeatureBit.BALANCE,),
    "torque": (FeatureBit.ACCUMULATED_TORQUE,),
    "crank": (FeatureBit.CRANK_REVOLUTIONS,),
    "wheel": (FeatureBit.WHEEL_REVOLUTIONS,),
    "extremes": (FeatureBit.EXTREME_MAGNITUDES, FeatureBit.EXTREME_ANGLES),
    "energy": (FeatureBit.ACCUMULATED_ENERGY,),
}


class SimulatedMeter:
    """A `SimulatedSensor` that measures `ride`. Everything follows from the three arguments.

    The schedule ends with the ride, hours after the plan.
    """

    def __init__(self, spec: SensorSpec, ride: Ride, seed: int) -> None:
        self.spec = spec
        self.ride = ride
        self.seed = seed
        self.name = spec.name
        self.address = spec.address
        self.services: Mapping[str, Sequence[str]] = _services(spec)
        # The identity service is found by connecting; advertising space is short.
        self.service_uuids: Sequence[str] = tuple(
            s for s in self.services if s != registry.DEVICE_INFORMATION_SERVICE
        )
        self._battery_pct = math.floor(spec.battery_pct or 0)
        self.trainer = TrainerDialogue(spec.trainer)
        self._dialogue = ControlPointDialogue(
            spec.zero,
            spec.crank_length_mm,
            max(1, round(spec.model.rate_hz)),
            spec.factory_date,
            generator(seed, spec.name, "zero"),
        )

    @cached_property
    def measurement(self) -> Measurement:
        return measure(self.spec.model, self.ride, self.seed, self.name)

    def read(self, characteristic: str) -> bytes:
        """Raises KeyError for a characteristic that cannot be read."""
        spec = self.spec
        if characteristic == registry.BATTERY_LEVEL:
            return bytes(BatteryLevel(self._battery_pct))
        if characteristic == registry.CYCLING_POWER_FEATURE:
            return bytes(_features(spec))
        if characteristic == registry.SENSOR_LOCATION:
            return bytes(SensorLocation.named(spec.location))
        if characteristic in TRAINER_VALUES:
            return self.trainer.read(characteristic)
        return {
            registry.MANUFACTURER: spec.manufacturer,
            registry.MODEL: spec.model_name,
            registry.SERIAL: spec.serial,
            registry.HARDWARE_REVISION: spec.hardware,
            registry.FIRMWARE_REVISION: spec.firmware,
            registry.SOFTWARE_REVISION: spec.software,
        }[characteristic].encode()

    def write(self, characteristic: str, request: bytes, ride_s: float) -> Answer | Refusal | None:
        if characteristic == registry.FITNESS_MACHINE_CONTROL_POINT:
            return self.trainer.respond(request)
        if characteristic != registry.CYCLING_POWER_CONTROL_POINT:
            raise KeyError(characteristic)
        cadence_rpm = float(self.ride.cadence_at(np.array([max(ride_s, 0.0)]))[0])
        return self._dialogue.respond(request, turning=cadence_rpm > _TURNING_RPM)

    def schedule(self) -> Iterator[Packet | LinkChange]:
        return heapq.merge(link_changes(self.spec.faults), self._packets(), key=lambda happening: happening.at_s)

    def _packets(self) -> Iterator[Packet]:
        streams = self._streams()
        starts = np.cumsum([0, *(times_s.size for _, times_s, _ in streams)])
        due = Deliveries.faultless(np.concatenate([times_s for _, times_s, _ in streams]))
        due = with_faults(due, self.spec.faults, generator(self.seed, self.name, "faults"))
        rubbish = generator(self.seed, self.name, "rubbish")
        which = np.searchsorted(starts, due.item, "right") - 1
        inside = due.item - starts[which]
        for at_s, stream, k, spoiled in zip(due.at_s, which, inside, due.spoiled, strict=True):
            characteristic, _, payload_of = streams[int(stream)]
            payload = payload_of(int(k))
            yield Packet(float(at_s), characteristic, spoiled_payload(payload, rubbish) if spoiled else payload)

    def _streams(self) -> list[tuple[str, Floats, Callable[[int], bytes]]]:
        """For each notifying characteristic: when it is due, and the payload of its k-th notification."""
        at_s = self.measurement.at_s
        packets = MeterPackets(self.spec, self.ride, self.measurement, self.seed)
        streams: list[tuple[str, Floats, Callable[[int], bytes]]] = []
        if self.spec.kind == "meter":
            streams.append((registry.CYCLING_POWER_MEASUREMENT, at_s, packets.power))
        if registry.FITNESS_MACHINE_SERVICE in self.services:
            streams.append((registry.INDOOR_BIKE_DATA, at_s + _SECOND_SERVICE_AFTER_S, packets.trainer))
        if self.spec.kind == "cadence":
            streams.append((registry.SPEED_CADENCE_MEASUREMENT, at_s, packets.cadence))
        if self.spec.kind == "temperature":
            streams.append((registry.TEMPERATURE, at_s, self._temperature))
        if self.spec.battery_pct is not None:
            battery_s = np.arange(5.0, self.ride.end_s, _BATTERY_EVERY_S)
            streams.append((registry.BATTERY_LEVEL, battery_s, self._battery))
        return streams

    def _temperature(self, k: int) -> bytes:
        temperature_c = self.spec.model.warming.temperature_c(self.measurement.at_s[k : k + 1])
        return bytes(Temperature(round(100 * float(temperature_c[0]))))

    def _battery(self, k: int) -> bytes:
        used_pct = self.spec.battery_pct_per_h * k * _BATTERY_EVERY_S / 3600
        self._battery_pct = max(0, math.floor((self.spec.battery_pct or 0) - used_pct))
        return bytes(BatteryLevel(self._battery_pct))


def _services(spec: SensorSpec) -> dict[str, tuple[str, ...]]:
    services = dict(_SERVICES[spec.kind])
    if spec.kind == "meter" and spec.model.place == "trainer":
        services[registry.FITNESS_MACHINE_SERVICE] = (
            registry.INDOOR_BIKE_DATA,
            *TRAINER_VALUES,
            registry.FITNESS_MACHINE_CONTROL_POINT,
            registry.FITNESS_MACHINE_STATUS,
        )
    if spec.battery_pct is not None:
        services[registry.BATTERY_SERVICE] = (registry.BATTERY_LEVEL,)
    services[registry.DEVICE_INFORMATION_SERVICE] = (
        registry.MANUFACTURER,
        registry.MODEL,
        registry.SERIAL,
        registry.HARDWARE_REVISION,
        registry.FIRMWARE_REVISION,
        registry.SOFTWARE_REVISION,
    )
    return services


def _features(spec: SensorSpec) -> CyclingPowerFeature:
    bits = [bit for content in spec.contents for bit in _FEATURE_OF[content]]
    said = {
        FeatureBit.OFFSET_COMPENSATION: spec.zero.manner != "unsupported",
        FeatureBit.ENHANCED_OFFSET_COMPENSATION: spec.zero.enhanced,
        FeatureBit.CRANK_LENGTH: spec.crank_length_mm is not None,
        FeatureBit.FACTORY_CALIBRATION_DATE: spec.factory_date is not None,
        FeatureBit.MEASURES_TORQUE: spec.measures_torque,
    }
    return CyclingPowerFeature.of(*bits, *(bit for bit, present in said.items() if present))
