"""Simulated sensors for somebody else's recorder: over a local socket, or on the air of a real adapter."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.plan_file import Plan
from recorder.signals import ending_signals
from simulated_sensors.demo import LEAD_IN_S, quayside_plan, ride_of
from simulated_sensors.errors import NoSimulation
from simulated_sensors.hci_server import serve_hci, serve_on_adapter
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.quayside import quayside_sensors, workshop_sensors
from simulated_sensors.recording_replay import recorded_sensors
from simulated_sensors.sensor import SimulatedSensor
from simulated_sensors.truth import write_truth

_POLL_S = 0.1
HOURS_AFTER_PLAN_S = 6 * 3600.0


@dataclass(frozen=True)
class ServeOptions:
    """`workshop` sensors in place of the Quayside five; `recording` replays a ride instead of riding one."""

    transport: str
    plan: Plan | None = None
    seed: int = 1
    workshop: int | None = None
    recording: Path | None = None
    truth: Path | None = None
    duration_s: float | None = None


def sensors_of(options: ServeOptions) -> Sequence[SimulatedSensor]:
    """:raises BadInput: for a recording that cannot be replayed, or a truth that cannot be written."""
    if options.recording is not None:
        return recorded_sensors(options.recording)
    ride = ride_of(options.plan or quayside_plan(), options.seed, after_plan_s=HOURS_AFTER_PLAN_S)
    if options.workshop is None:
        meters = quayside_sensors(ride, options.seed)
    else:
        meters = workshop_sensors(ride, options.workshop, options.seed)
    if options.truth is not None:
        write_truth(options.truth, ride, meters)
    return meters


async def serve(options: ServeOptions, say: Callable[[str], None]) -> None:
    """Serve until a signal or for `duration_s`. The ride begins when the first sensor is connected.

    :raises NoSimulation: for a transport that cannot be opened.
    """
    sensors = sensors_of(options)
    try:
        async with SimulatedRadio(sensors, seed=options.seed) as radio, serve_hci(radio, options.transport) as client:
            names = ", ".join(sensor.name for sensor in sensors)
            say(f"serving {names}; record with: wattproof record BENCH --through {client}")
            beginning = asyncio.create_task(_begin_when_connected(radio, say))
            try:
                await _until_signal(options.duration_s)
            finally:
                beginning.cancel()
    except (OSError, ValueError) as fault:
        raise NoSimulation(f"{options.transport} cannot be served: {fault}.") from fault


async def serve_one_on_adapter(options: ServeOptions, name: str, say: Callable[[str], None]) -> None:
    """One sensor through a real adapter, for a recorder on another computer. Never tried on hardware.

    :raises NoSimulation: for an unknown sensor or an adapter that cannot be opened.
    """
    found = {sensor.name: sensor for sensor in sensors_of(options)}
    if name not in found:
        raise NoSimulation(f"there is no simulated sensor {name}; there are {', '.join(found)}.")
    try:
        async with serve_on_adapter(found[name], options.transport) as ride:
            say(f"{name} is on the air of {options.transport} (never tried on hardware)")
            ride.begin(asyncio.get_running_loop().time())
            await _until_signal(options.duration_s)
    except Exception as fault:  # transports of many kinds fail in many ways, all before anything is recorded
        raise NoSimulation(f"the adapter {options.transport} cannot be used: {fault}.") from fault


async def _begin_when_connected(radio: SimulatedRadio, say: Callable[[str], None]) -> None:
    while not radio.any_connected():  # noqa: ASYNC110 - the radio is asked, it does not call
        await asyncio.sleep(_POLL_S)
    radio.begin_ride()
    say(f"somebody is listening: the ride begins with {LEAD_IN_S:g} s of easy spinning")


async def _until_signal(duration_s: float | None) -> None:
    over = asyncio.Event()
    with ending_signals(lambda name: over.set()):
        try:
            async with asyncio.timeout(duration_s):
                await over.wait()
        except TimeoutError:
            return
