"""What the demo records from: a bench, a source of its sensors, and how to check them and let the ride begin."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass

from analysis.bench_file import Bench
from recorder.compose import bluetooth_source
from recorder.host_clock import HostClock
from recorder.source import NotificationSource
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import SimulatedSensor


@dataclass(frozen=True)
class DemoAir:
    """`to_check`: benches with a source each, for the check before the ride, which `begin` lets start."""

    bench: Bench
    source: NotificationSource
    to_check: Sequence[tuple[Bench, NotificationSource]]
    begin: Callable[[], None]


@asynccontextmanager
async def near_air(
    bench: Bench, sensors: Sequence[SimulatedSensor], clock: HostClock, seed: int
) -> AsyncIterator[DemoAir]:
    """All within reach of this computer's own radio."""
    async with SimulatedRadio(sensors, seed=seed) as radio:
        yield DemoAir(
            bench,
            bluetooth_source(bench, clock, radio.backend, seed),
            ((bench, bluetooth_source(bench, clock, radio.backend, seed)),),
            radio.begin_ride,
        )
