"""Two stacks with a socket between them, in real time; one test with a process of its own that is killed."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from recorder.bluetooth_library import Backend, BleakClient, BleakError, BleakScanner, normalize_uuid_16
from simulated_sensors.hci_server import remote_backend, serve_hci, serve_on_adapter
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import LinkChange, Packet
from tests.fake_sensors import FakeSensor, power_packets

ROOT = Path(__file__).resolve().parents[1]
POWER = normalize_uuid_16(0x2A63)
ALDER = "F0:00:00:00:00:01"


@asynccontextmanager
async def served(transport: str = "tcp-server:127.0.0.1:0") -> AsyncIterator[tuple[SimulatedRadio, str]]:
    sensor = FakeSensor(steps=lambda: power_packets(100.0))
    async with SimulatedRadio([sensor], supervision_s=0.05) as radio, serve_hci(radio, transport) as client:
        radio.begin_ride()
        yield radio, client


async def streaming(backend: Backend, wanted: int = 5) -> BleakClient:
    """A client that has received `wanted` notifications, no number left out."""
    assert backend.scanner is not None
    device = await BleakScanner.find_device_by_address(ALDER, timeout=10, backend=backend.scanner)
    assert device is not None
    client = BleakClient(device, timeout=10, backend=backend.client)
    await client.connect()
    numbers: list[int] = []
    enough = asyncio.Event()

    def on_power(_characteristic: object, data: bytearray) -> None:
        numbers.append(int.from_bytes(data[:4], "little"))
        if len(numbers) >= wanted:
            enough.set()

    await client.start_notify(POWER, on_power)
    await asyncio.wait_for(enough.wait(), 10)
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    return client


async def test_a_client_streams_over_tcp() -> None:
    async with served() as (_, transport), remote_backend(transport) as backend:
        client = await streaming(backend)
        await client.disconnect()


async def test_a_client_streams_over_a_unix_socket(tmp_path: Path) -> None:
    place = tmp_path / "air"
    async with served(f"unix-server:{place}") as (_, transport), remote_backend(transport) as backend:
        assert transport == f"unix-client:{place}"
        await streaming(backend)
    assert not place.exists()


async def test_a_restarted_client_finds_its_sensor_again() -> None:
    async with served() as (_, transport):
        for _attempt in range(2):
            async with remote_backend(transport) as backend:
                await streaming(backend)  # and gone without a word


async def test_a_newcomer_displaces_a_client_that_hangs() -> None:
    async with served() as (_, transport), remote_backend(transport) as first:
        hanging = await streaming(first)
        async with remote_backend(transport) as second:
            await streaming(second)
            assert not hanging.is_connected


async def test_end_of_the_simulator_is_a_loss_and_no_hang() -> None:
    async with remote_after_server_end() as client:
        assert not client.is_connected
        with pytest.raises(BleakError):
            await client.read_gatt_char(POWER)


@asynccontextmanager
async def remote_after_server_end() -> AsyncIterator[BleakClient]:
    server = served()
    _, transport = await server.__aenter__()
    async with remote_backend(transport) as backend:
        client = await streaming(backend)
        await server.__aexit__(None, None, None)
        while client.is_connected:
            await asyncio.sleep(0.01)
        yield client


async def test_noise_on_the_socket_ends_only_its_own_connection() -> None:
    async with served() as (_, transport):
        host, port = transport.removeprefix("tcp-client:").split(":")
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(b"GET / HTTP/1.1\r\n\r\n")
        assert await reader.read() == b""
        writer.close()
        async with remote_backend(transport) as backend:
            await streaming(backend)


@pytest.mark.parametrize("transport", ["tcp:127.0.0.1:9", "serial:/dev/null", ""])
async def test_other_transports_are_refused(transport: str) -> None:
    async with SimulatedRadio([FakeSensor()]) as radio:
        with pytest.raises(ValueError, match="neither"):
            async with serve_hci(radio, transport):
                pass


async def test_a_sensor_served_on_an_adapter_of_its_own() -> None:
    """The adapter is one of ours; no hardware was ever tried."""

    def steps() -> Iterator[Packet | LinkChange]:
        for packet in power_packets(100.0):
            if packet.at_s == 1.0:
                yield LinkChange(1.0, False)
                yield LinkChange(1.2, True)
            yield packet

    sensor = FakeSensor(name="Cedar trainer", steps=steps)
    async with (
        SimulatedRadio([]) as radio,
        serve_hci(radio, "tcp-server:127.0.0.1:0") as transport,
        serve_on_adapter(sensor, transport) as ride,
    ):
        ride.begin(asyncio.get_running_loop().time())
        client = await streaming(radio.backend)
        assert client.name == "Cedar trainer"
        async with asyncio.timeout(10):
            while client.is_connected:  # until it leaves
                await asyncio.sleep(0.01)
        again = await streaming(radio.backend)
        await again.disconnect()


CLIENT = """
import asyncio, sys
from simulated_sensors.hci_server import remote_backend
from tests.test_hci_server import streaming

async def main():
    async with remote_backend(sys.argv[1]) as backend:
        await streaming(backend)
        print("streaming", flush=True)
        await asyncio.sleep(600)

asyncio.run(main())
"""


async def test_after_a_killed_client_process_the_sensor_is_free() -> None:
    async with served() as (_, transport):
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", CLIENT, transport, cwd=ROOT, stdout=asyncio.subprocess.PIPE
        )
        assert process.stdout is not None
        assert await process.stdout.readline() == b"streaming\n"
        process.kill()
        await process.wait()
        async with remote_backend(transport) as backend:
            await streaming(backend)
