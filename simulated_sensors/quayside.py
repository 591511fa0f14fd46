"""The sensors of the demo bench, and a larger workshop of them for load tests; all names are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from simulated_sensors.control_point_dialogue import ZeroBehaviour
from simulated_sensors.meter_faults import DropOut
from simulated_sensors.meter_model import MeterModel, Place, Sides, Warming
from simulated_sensors.ride import Ride
from simulated_sensors.seeded_noise import generator
from simulated_sensors.sensor_spec import Content, SensorSpec
from simulated_sensors.simulated_meter import SimulatedMeter

_DROP_OUT_AT = 0.55  # of the plan
_DROP_OUT_S = 12.0

ALDER = SensorSpec(
    name="Alder",
    address="F0:00:00:00:00:01",
    model=MeterModel("pedals", "both", scale_pct=0.3, rate_hz=0),
    contents=frozenset({"balance", "torque", "crank", "extremes", "energy"}),
    model_name="Alder pedals",
    serial="0042",
    hardware="C2",
    firmware="3.4.1",
    battery_pct=71.02,
    location="left pedal",
    crank_length_mm=172.5,
    factory_date=date(2025, 3, 14),
    zero=ZeroBehaviour(raw=-12, enhanced=True),
)
BIRCH = SensorSpec(
    name="Birch",
    address="F0:00:00:00:00:02",
    model=MeterModel("spider", "inferred", scale_pct=-0.4, rate_hz=4),
    contents=frozenset({"balance", "torque", "crank"}),
    balance_reference="unknown",
    manufacturer="Harbour Torque Works",
    model_name="Birch spider",
    serial="1187",
    hardware="4",
    firmware="0.9.18",
    battery_pct=88.5,
    location="spider",
    zero=ZeroBehaviour(raw=431),
)
CEDAR = SensorSpec(
    name="Cedar",
    address="F0:00:00:00:00:03",
    model=MeterModel(
        "trainer",
        "total",
        scale_pct=-2.9,
        averaging="second",
        window=0.25,
        smoothing_s=1.2,
        lag_s=0.4,
    ),
    contents=frozenset({"torque", "wheel"}),
    manufacturer="Lighthouse Rollers",
    model_name="Cedar trainer",
    serial="CD-20931",
    hardware="1.1",
    firmware="5.02",
    battery_pct=None,
    location="rear hub",
    zero=ZeroBehaviour("unsupported"),
)
DOGWOOD = SensorSpec(
    name="Dogwood",
    address="F0:00:00:00:00:04",
    model=MeterModel("crank", "left"),
    contents=frozenset({"crank"}),
    manufacturer="Harbour Torque Works",
    model_name="Dogwood crank",
    serial="0310",
    hardware="2",
    firmware="1.7.0",
    battery_pct=54.01,
    location="left crank",
    crank_length_mm=172.5,
    measures_torque=False,
    zero=ZeroBehaviour(raw=905, after_s=4.0),
)
ELM = SensorSpec(
    name="Elm",
    address="F0:00:00:00:00:05",
    model=MeterModel("crank", "total"),
    kind="cadence",
    model_name="Elm cadence sensor",
    serial="77",
    firmware="1.0.3",
    battery_pct=97.0,
    location="left crank",
)
QUAYSIDE = {spec.name: spec for spec in (ALDER, BIRCH, CEDAR, DOGWOOD, ELM)}

_WORKSHOP: tuple[tuple[Place, Sides, frozenset[Content]], ...] = (
    ("pedals", "both", frozenset({"balance", "torque", "crank"})),
    ("spider", "inferred", frozenset({"balance", "torque", "crank"})),
    ("hub", "total", frozenset({"torque", "wheel"})),
    ("crank", "left", frozenset({"crank"})),
)


def quayside_sensors(ride: Ride, seed: int) -> list[SimulatedMeter]:
    """The five of the bench; Birch is out of range once, past the middle of the plan."""
    gap = DropOut(round(_DROP_OUT_AT * ride.plan_s, 1), _DROP_OUT_S)
    specs = [replace(spec, faults=(gap,)) if spec is BIRCH else spec for spec in QUAYSIDE.values()]
    return [SimulatedMeter(spec, ride, seed) for spec in specs]


def workshop_sensors(ride: Ride, n: int, seed: int) -> list[SimulatedMeter]:
    """Up to 255 honest meters at 4 packets a second, all of their errors within 1 %."""
    specs = []
    for i in range(n):
        place, sides, contents = _WORKSHOP[i % len(_WORKSHOP)]
        rng = generator(seed, "workshop", str(i))
        model = MeterModel(
            place,
            sides,
            scale_pct=float(rng.uniform(-1, 1)),
            offset_nm=float(rng.normal(0, 0.05)),
            temperature_pct_per_c=float(rng.normal(0, 0.01)),
            warming=Warming(start_c=float(rng.uniform(8, 20))),
            rate_hz=4,
        )
        spec = SensorSpec(f"Bay {i + 1}", f"F0:00:00:00:01:{i + 1:02X}", model, contents=contents, serial=f"{i + 1}")
        specs.append(spec)
    return [SimulatedMeter(spec, ride, seed) for spec in specs]
