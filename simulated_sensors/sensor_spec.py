"""All that tells one simulated sensor from another: what it is, how it measures, what it says and what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from simulated_sensors.control_point_dialogue import ZeroBehaviour
from simulated_sensors.meter_faults import Fault
from simulated_sensors.meter_model import MeterModel
from simulated_sensors.trainer_dialogue import TrainerBehaviour

Kind = Literal["meter", "cadence", "temperature"]
Content = Literal["balance", "torque", "crank", "wheel", "extremes", "energy"]


@dataclass(frozen=True)
class SensorSpec:
    """`name` is also the advertised one. A trainer offers the Fitness Machine service beside the power service.

    `contents` is what a power measurement carries beside power. Without `battery_pct` there is no battery to ask.
    Of a cadence sensor's model only the rate counts, of a thermometer's the rate and the warming.
    """

    name: str
    address: str
    model: MeterModel
    kind: Kind = "meter"
    contents: frozenset[Content] = frozenset({"crank"})
    balance_reference: Literal["left", "unknown"] = "left"
    manufacturer: str = "Quayside Instruments"
    model_name: str = "unnamed"
    serial: str = "0000"
    hardware: str = "A"
    firmware: str = "1.0"
    software: str = "1.0"
    battery_pct: float | None = 90.0
    battery_pct_per_h: float = 1.0
    location: str = "other"
    crank_length_mm: float | None = None
    measures_torque: bool = True
    factory_date: date | None = None
    zero: ZeroBehaviour = field(default_factory=ZeroBehaviour)
    trainer: TrainerBehaviour = field(default_factory=TrainerBehaviour)
    resolution_w: int = 1
    faults: tuple[Fault, ...] = ()
