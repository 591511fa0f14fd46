"""What happens to eight sensors and their Bluetooth service during a soak: drawn from a seed, with times of quiet."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from typing import Any

from recorder.bluetooth_service_watch import GONE, NO_ADAPTER, NO_BUS, OFF
from simulated_sensors.meter_faults import Burst, DropOut, Duplicate, Fault, Silence
from tests.faults.troubled_radio import ConnectTrouble, TroubledRadio

BLOCK_S = 600.0
FIRST_S = 30.0  # after the start of a block
LAST_S = 480.0  # then all is left in peace, so that what should be constant can be compared
OF_A_SENSOR = 3  # per sensor and block
OF_THE_SERVICE = 3  # per block


@dataclass(frozen=True)
class Trouble:
    """`row` of the fault matrix, at a second of the ride; `of_meter` is what the sensor itself does."""

    row: int
    name: str
    at_s: float
    seconds: float
    sensor: int | None = None
    of_meter: Fault | None = None
    tries: tuple[ConnectTrouble, ...] = ()


def draw_troubles(seed: int, hours: float, sensors: int) -> list[Trouble]:
    """In order of time."""
    chance = random.Random(f"soak {seed}")
    troubles = []
    for block in range(max(1, round(hours * 3600 / BLOCK_S))):
        start_s = block * BLOCK_S
        for sensor in range(sensors):
            troubles += [_of_sensor(chance, start_s, sensor) for _ in range(OF_A_SENSOR)]
        troubles += [_of_service(chance, start_s) for _ in range(OF_THE_SERVICE)]
    return sorted(troubles, key=lambda t: t.at_s)


def _at(chance: random.Random, start_s: float) -> float:
    return round(start_s + chance.uniform(FIRST_S, LAST_S), 3)


# Of each kind the row of the matrix and how long it may last.
_OF_SENSORS: dict[str, tuple[int, float, float]] = {
    "drop": (23, 1, 40),
    "silence": (24, 2, 14),
    "mute": (24, 4, 14),
    "burst": (24, 1, 8),
    "congestion": (24, 0.5, 8),
    "connect": (28, 1, 1),
    "duplicate": (30, 2, 20),
    "leak": (30, 2, 20),
}
_OF_SERVICES = {"crash": 25, "hang": 25, "off": 26, "unplugged": 26, "bus": 27, "scan": 29}
_TRIES: tuple[ConnectTrouble, ...] = ("busy", "abort", "hang")


def _of_sensor(chance: random.Random, start_s: float, sensor: int) -> Trouble:
    at_s = _at(chance, start_s)
    name = chance.choice(sorted(_OF_SENSORS))
    row, least_s, most_s = _OF_SENSORS[name]
    seconds = round(chance.uniform(least_s, most_s), 3)
    of_meter: dict[str, Fault] = {
        "drop": DropOut(at_s, seconds),
        "connect": DropOut(at_s, seconds),
        "silence": Silence(at_s, seconds),
        "burst": Burst(at_s, seconds),
        "duplicate": Duplicate(at_s, seconds),
    }
    tries = tuple(chance.choice(_TRIES) for _ in range(chance.randint(1, 4))) if name == "connect" else ()
    return Trouble(row, name, at_s, seconds, sensor, of_meter.get(name), tries)


def _of_service(chance: random.Random, start_s: float) -> Trouble:
    at_s = _at(chance, start_s)
    name = chance.choice(sorted(_OF_SERVICES))
    return Trouble(_OF_SERVICES[name], name, at_s, round(chance.uniform(1, 20), 3))


_LOST = {"crash": GONE, "off": OFF, "unplugged": NO_ADAPTER, "bus": NO_BUS}


async def provoke(
    troubles: Sequence[Trouble], radio: TroubledRadio, addresses: Sequence[str], began_s: float
) -> None:
    """All that does not come from the meters themselves, at its time; until cancelled."""
    async with asyncio.TaskGroup() as group:
        for trouble in troubles:
            await _until(began_s + trouble.at_s)
            address = None if trouble.sensor is None else addresses[trouble.sensor]
            work = _work(trouble, radio, address)
            if work is not None:
                group.create_task(work())
        await asyncio.Event().wait()  # so that the number of tasks does not tell how far this has come


def _work(
    trouble: Trouble, radio: TroubledRadio, address: str | None
) -> Callable[[], Coroutine[Any, Any, None]] | None:
    service = radio.service

    async def mute(address: str) -> None:
        service.mute.add(address)
        await asyncio.sleep(trouble.seconds)
        service.mute.discard(address)

    async def leak(address: str) -> None:
        service.copies[address] = 3
        await asyncio.sleep(trouble.seconds)
        service.copies[address] = 1

    async def scan_stuck() -> None:
        with radio.scan_stuck():
            await asyncio.sleep(trouble.seconds)

    match trouble.name, address:
        case "mute", str():
            return lambda: mute(address)
        case "leak", str():
            return lambda: leak(address)
        case "connect", str():
            service.connects[address].extend(trouble.tries)
        case "congestion", str():
            radio.radio.link.hold(address, trouble.seconds)
        case "hang", None:
            return lambda: radio.service_hangs(trouble.seconds)
        case "scan", None:
            return scan_stuck
        case name, None:
            return lambda: radio.service_lost(_LOST[name], trouble.seconds)
    return None


async def _until(at_s: float) -> None:
    await asyncio.sleep(max(at_s - asyncio.get_running_loop().time(), 0.0))
