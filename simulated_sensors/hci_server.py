"""The two-process form: the air in one process, the recorder's Bluetooth stack in another, HCI between them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from bumble import hci
from bumble.core import InvalidPacketError
from bumble.device import Device, DeviceConfiguration
from bumble.host import Host
from bumble.transport import open_transport
from bumble.transport.common import PacketParser

from recorder.bluetooth_library import Backend
from simulated_sensors.bleak_backend import backend_on
from simulated_sensors.peripheral import Peripheral, RideStart, SimulatedRadio
from simulated_sensors.sensor import SimulatedSensor
from simulated_sensors.virtual_link import VirtualController

REMOTE_CENTRAL_ADDRESS = "C0:00:00:00:00:02"


class _HostPort:
    """Where one host at a time is plugged into a controller; a newcomer displaces its predecessor."""

    def __init__(self, controller: VirtualController) -> None:
        self.controller = controller
        self.host: _HostStream | None = None

    def plug(self, host: _HostStream) -> None:
        if self.host is not None:
            self.host.close()
        self.host = host
        self.controller.set_packet_sink(host)

    def unplug(self, host: _HostStream) -> None:
        if self.host is not host:
            return
        self.host = None
        self.controller.set_packet_sink(None)
        # As a dongle that loses its power: otherwise the sensors would stay with a host that is gone.
        self.controller.on_hci_reset_command(hci.HCI_Reset_Command())


class _HostStream(asyncio.Protocol):
    def __init__(self, port: _HostPort) -> None:
        self._port = port
        self._parser = PacketParser(port.controller)
        self._transport: asyncio.WriteTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.WriteTransport)  # noqa: S101  # for the type checker
        self._transport = transport
        self._port.plug(self)

    def data_received(self, data: bytes) -> None:
        try:
            self._parser.feed_data(data)
        except InvalidPacketError:
            self.close()  # no HCI: there is no way back into step

    def connection_lost(self, _error: Exception | None) -> None:
        self._port.unplug(self)

    def on_packet(self, packet: bytes) -> None:
        if self._transport is not None:
            self._transport.write(packet)

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()


@asynccontextmanager
async def serve_hci(radio: SimulatedRadio, transport: str) -> AsyncIterator[str]:
    """A further adapter on the radio's air, for a host in another process; yields the transport it opens.

    `transport` is `tcp-server:HOST:PORT` (port 0 takes a free one) or `unix-server:PATH`.
    HCI has no access control: keep to a loopback address.
    """
    scheme, _, place = transport.partition(":")
    port = _HostPort(VirtualController("served", radio.link))
    loop = asyncio.get_running_loop()
    host, _, number = place.rpartition(":")
    if scheme == "tcp-server" and number.isdecimal() and int(number) < 1 << 16:
        server = await loop.create_server(lambda: _HostStream(port), host, int(number))
        client = f"tcp-client:{host}:{server.sockets[0].getsockname()[1]}"
    elif scheme == "unix-server":
        server = await loop.create_unix_server(lambda: _HostStream(port), place)
        client = f"unix-client:{place}"
    else:
        raise ValueError(f"{transport!r} is neither tcp-server:HOST:PORT nor unix-server:PATH")
    try:
        yield client
    finally:
        server.close()
        if port.host is not None:
            port.host.close()
        if scheme == "unix-server":
            Path(place).unlink(missing_ok=True)  # noqa: ASYNC240  # one call, at the very end


@asynccontextmanager
async def remote_backend(transport: str) -> AsyncIterator[Backend]:
    """A backend on an adapter served elsewhere: `tcp-client:HOST:PORT` or `unix-client:PATH`."""
    async with await open_transport(transport) as (source, sink):
        config = DeviceConfiguration(name="central", address=hci.Address(REMOTE_CENTRAL_ADDRESS))
        device = Device(config=config, host=Host(source, sink))
        await device.power_on()
        try:
            yield backend_on(device)
        finally:
            await device.power_off()


@asynccontextmanager
async def serve_on_adapter(sensor: SimulatedSensor, transport: str = "usb:0") -> AsyncIterator[RideStart]:
    """One sensor on the air of a real adapter, for a recorder on another computer.

    Never tried on hardware; only on an adapter served by `serve_hci`. A real link cannot be made to fade: where the
    sensor leaves radio range, it ends its link and falls silent.
    """
    async with await open_transport(transport) as (source, sink):
        config = DeviceConfiguration(name=sensor.name, address=hci.Address(sensor.address))
        ride = RideStart()

        async def change_link(up: bool) -> None:
            await (peripheral.speak() if up else peripheral.silence())

        peripheral = Peripheral(sensor, Device(config=config, host=Host(source, sink)), ride, change_link)
        await peripheral.start()
        try:
            yield ride
        finally:
            await peripheral.stop()
