"""Simulated sensors read straight into signals: no radio, no file, arrival at the instant of sending."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import takewhile

import numpy as np

from analysis.decoding import RowDecoder
from analysis.meter_signal import MeterSignal, meter_signal
from analysis.rows import Row
from analysis.samples import Floats, SensorSamples, Series, sensor_samples
from analysis.segments import Segment
from simulated_sensors.ride import Ride
from simulated_sensors.sensor import Packet
from simulated_sensors.sensor_spec import SensorSpec
from simulated_sensors.simulated_meter import SimulatedMeter

S = 1_000_000_000
NUMBERS = (
    "power_w",
    "cadence_rpm",
    "balance_left_pct",
    "temperature_c",
    "accumulated_torque_nm",
    "crank_revolutions",
    "crank_event_s",
    "wheel_revolutions",
    "wheel_event_s",
)


def simulated_samples(spec: SensorSpec, ride: Ride, seed: int) -> SensorSamples:
    """What the recorder would have kept of this sensor until the end of the plan."""
    packets = takewhile(lambda p: p.at_s < ride.plan_s, SimulatedMeter(spec, ride, seed).schedule())
    decoder, rows, fields = RowDecoder(), [], []
    for packet in packets:
        if isinstance(packet, Packet):
            rows.append(Row(round(packet.at_s * S), "notification", spec.name, packet.characteristic, packet.payload))
            fields.append(decoder.fields(rows[-1]))
    columns: dict[str, object] = {
        "host_ns": np.array([row.host_ns for row in rows], np.int64),
        "characteristic": np.array([row.characteristic for row in rows], object),
    }
    for name in NUMBERS:
        columns[name] = np.array([float(f.get(name, np.nan)) for f in fields])
    return sensor_samples(spec.name, columns)


def simulated_signals(specs: Sequence[SensorSpec], ride: Ride, seed: int) -> dict[str, MeterSignal]:
    return {spec.name: meter_signal(spec.name, [simulated_samples(spec, ride, seed)]) for spec in specs}


def ride_segments(ride: Ride, settle_s: float = 0.0) -> tuple[Segment, ...]:
    """Every step of the plan as it was ridden, rests left out."""
    return tuple(
        Segment(
            number,
            span.name,
            round(span.start_s * S),
            round(span.end_s * S),
            settle_ns=round(settle_s * S),
            step_kind=span.kind,
            posture=span.posture,
        )
        for number, span in enumerate(ride.spans, 1)
        if span.kind != "rest"
    )


def sending(
    name: str, values: Sequence[float] | Floats, rate_hz: float = 1.0, cadence_rpm: float = 90.0
) -> MeterSignal:
    """A meter that sends these powers from time 0 on, each 1/`rate_hz` s, at this cadence; nan is not sent."""
    host_ns = np.rint(np.arange(len(values)) / rate_hz * S).astype(np.int64)
    sent = np.isfinite(np.asarray(values, float))
    power = Series(host_ns[sent], np.asarray(values, float)[sent])
    cadence = Series(power.host_ns, np.full(len(power), cadence_rpm))
    samples = SensorSamples(name, power_w=power, cadence_rpm=cadence, arrivals_ns=power.host_ns)
    return meter_signal(name, [samples])


def segment(start_s: float, stop_s: float, kind: str = "steady", number: int = 1, posture: str = "seated") -> Segment:
    return Segment(number, kind, round(start_s * S), round(stop_s * S), step_kind=kind, posture=posture)
