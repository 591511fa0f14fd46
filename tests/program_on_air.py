"""The program itself, recording one meter that notifies through a simulated radio in this process."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulated_sensors.hci_server import serve_hci
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import Packet
from tests.fake_sensors import FakeSensor
from tests.riding import ONE_METER, payload

ROOT = Path(__file__).resolve().parents[1]
RATE_HZ = 50


@dataclass(frozen=True)
class ProgramOnAir:
    process: asyncio.subprocess.Process
    radio: SimulatedRadio
    sensor: FakeSensor

    @property
    def sent(self) -> int:
        """Packets, which are numbered from 0."""
        return self.radio.sent(self.sensor.name)


def packets() -> Iterator[Packet]:
    return (Packet(number / RATE_HZ, "2a63", payload(number)) for number in range(300 * RATE_HZ))


@asynccontextmanager
async def program_on_air(folder: Path, *words: str, sent: int, **streams: Any) -> AsyncIterator[ProgramOnAir]:
    """Records into `rides` of a new folder; given once so many packets were sent, killed if it is still there."""
    folder.mkdir(exist_ok=True)
    bench = folder / "bench.toml"
    bench.write_text(ONE_METER)
    sensor = FakeSensor(steps=packets)
    async with SimulatedRadio([sensor]) as radio, serve_hci(radio, "tcp-server:127.0.0.1:0") as transport:
        radio.begin_ride()
        said = ["record", str(bench), "--out", str(folder / "rides"), "--through", transport, *words]
        process = await asyncio.create_subprocess_exec(sys.executable, "-m", "analysis", *said, cwd=ROOT, **streams)
        on_air = ProgramOnAir(process, radio, sensor)
        try:
            while on_air.sent < sent:
                assert process.returncode is None
                await asyncio.sleep(0.01)
            yield on_air
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
