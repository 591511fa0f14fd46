"""What simulated_sensors assumes of the installed Bumble: what is overridden exists, and is still needed.

A test here that fails after an update says which override to revisit; "still" marks a shortcoming that may be mended.
"""

from __future__ import annotations

import asyncio
import inspect
from collections.abc import Awaitable, Callable
from importlib.metadata import version
from typing import Any, TypeVar

import pytest
from bumble import hci, ll
from bumble.controller import Connection as ControllerConnection
from bumble.controller import Controller, LegacyAdvertiser
from bumble.core import AdvertisingData, BaseBumbleError, InvalidStateError
from bumble.device import Advertisement, Connection, Device, DeviceConfiguration, Peer
from bumble.gatt import Characteristic, Service
from bumble.gatt_client import Client
from bumble.gatt_server import Server
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink, PacketParser

from simulated_sensors.virtual_link import VirtualController, VirtualLink
from simulated_sensors.virtual_time import run_virtual

T = TypeVar("T")
SENSOR, CENTRAL = "F0:00:00:00:00:01", "C0:00:00:00:00:01"


def names(function: Callable[..., Any]) -> list[str]:
    return list(inspect.signature(function).parameters)


def stock_device(link: LocalLink, address: str) -> Device:
    controller = Controller(address, link=link)
    host = Host(controller, AsyncPipeSink(controller))
    return Device(config=DeviceConfiguration(name=address, address=hci.Address(address)), host=host)


def stock_pair(main: Callable[[LocalLink, Device, Device], Awaitable[T]]) -> T:
    """`main` with a powered sensor and central on Bumble's own link and controllers."""

    async def run() -> T:
        link = LocalLink()  # type: ignore[no-untyped-call]
        sensor, central = stock_device(link, SENSOR), stock_device(link, CENTRAL)
        value = Characteristic[bytes](
            "2A63",
            Characteristic.Properties.NOTIFY | Characteristic.Properties.READ,
            Characteristic.READABLE,
            b"x" * 34,
        )
        sensor.add_service(Service("1818", [value]))
        await sensor.power_on()
        await central.power_on()
        return await main(link, sensor, central)

    return run_virtual(run())


def controller_of(link: LocalLink, address: str) -> Controller:
    return next(c for c in link.controllers if str(c.random_address) == address)


def test_the_version_is_the_one_that_was_tried() -> None:
    assert version("bumble") == "0.0.236"


@pytest.mark.parametrize(
    ("overridden", "parameters"),
    [
        (LocalLink.on_address_changed, ["self", "controller"]),
        (LocalLink.remove_controller, ["self", "controller"]),
        (LocalLink.find_le_controller, ["self", "address"]),
        (LocalLink.send_advertising_pdu, ["self", "sender_controller", "packet"]),
        (LocalLink.send_acl_data, ["self", "sender_controller", "destination_address", "transport", "data"]),
        (LocalLink.send_ll_control_pdu, ["self", "sender_address", "receiver_address", "packet"]),
        (Controller.on_hci_reset_command, ["self", "_command"]),
        (Controller.on_hci_le_create_connection_cancel_command, ["self", "_command"]),
        (Controller.on_advertising_pdu, ["self", "pdu"]),
    ],
)
def test_what_is_overridden_has_this_shape(overridden: Callable[..., Any], parameters: list[str]) -> None:
    assert names(overridden) == parameters


@pytest.mark.parametrize(
    ("called", "parameters"),
    [
        (Controller.on_le_disconnected, ["self", "connection", "reason"]),
        (Controller.on_link_acl_data, ["self", "sender_address", "transport", "data"]),
        (Controller.on_ll_control_pdu, ["self", "sender_address", "packet"]),
        (Controller.on_ll_advertising_pdu, ["self", "packet"]),
        (Controller.create_le_connection, ["self", "peer_address"]),
        (Controller.send_hci_packet, ["self", "packet"]),
        (Controller.set_packet_sink, ["self", "sink"]),
        (LegacyAdvertiser.stop, ["self"]),
        (Server.read_cccd, ["self", "bearer", "characteristic"]),
        (Device.notify_subscriber, ["self", "connection", "attribute", "value", "force"]),
        (Device.indicate_subscriber, ["self", "connection", "attribute", "value", "force"]),
        (Device.disconnect, ["self", "connection", "reason"]),
        (Connection.cancel_on_disconnection, ["self", "awaitable"]),
        (Client.read_value, ["self", "attribute", "no_long_read"]),
        (Client.write_value, ["self", "attribute", "value", "with_response"]),
        (PacketParser.feed_data, ["self", "data"]),
    ],
)
def test_what_is_called_has_this_shape(called: Callable[..., Any], parameters: list[str]) -> None:
    assert names(called) == parameters


def test_what_is_read_of_a_controller_is_there() -> None:
    async def main(link: LocalLink, sensor: Device, _central: Device) -> None:
        controller = controller_of(link, SENSOR)
        assert controller.le_connections == {}
        assert controller.pending_le_connection is None
        assert controller.le_scan_enable is False
        assert controller.le_legacy_advertiser.scan_response_data == b""
        assert hci.LeFeatureMask.LE_EXTENDED_ADVERTISING in controller.le_features
        assert sensor.connections == {}

    stock_pair(main)
    assert {"self_address", "peer_address"} <= set(ControllerConnection.__dataclass_fields__)
    assert set(ll.ConnectInd.__dataclass_fields__) >= {"initiator_address", "advertiser_address"}
    assert set(ll.AdvInd.__dataclass_fields__) >= {"advertiser_address", "data"}


def test_legacy_advertising_follows_from_the_feature_bits() -> None:
    async def run() -> bool:
        link = VirtualLink()
        controller = VirtualController("x", link)
        device = Device(
            config=DeviceConfiguration(address=hci.Address(SENSOR)), host=Host(controller, AsyncPipeSink(controller))
        )
        await device.power_on()
        await device.start_advertising()
        return device.legacy_advertiser is not None and controller.le_legacy_advertiser.enabled

    assert run_virtual(run())


def test_one_connection_attempt_at_a_time() -> None:
    async def main(_link: LocalLink, _sensor: Device, central: Device) -> None:
        first = asyncio.create_task(central.connect(SENSOR, timeout=5))
        await asyncio.sleep(1)
        with pytest.raises(InvalidStateError):
            await central.connect("F0:00:00:00:00:02", timeout=5)
        first.cancel()

    stock_pair(main)


def test_a_cancelled_attempt_still_never_ends() -> None:
    async def main(link: LocalLink, _sensor: Device, central: Device) -> None:
        attempt = asyncio.create_task(central.connect(SENSOR, timeout=1))
        await asyncio.sleep(60)
        assert not attempt.done()
        assert controller_of(link, CENTRAL).pending_le_connection is not None
        attempt.cancel()

    stock_pair(main)


def test_a_vanished_peer_is_still_never_noticed() -> None:
    async def main(link: LocalLink, sensor: Device, central: Device) -> None:
        await sensor.start_advertising()
        connection = await central.connect(SENSOR)
        link.remove_controller(controller_of(link, SENSOR))
        await asyncio.sleep(60)
        assert connection.handle in central.connections

    stock_pair(main)


def test_a_reset_still_forgets_nothing() -> None:
    async def main(link: LocalLink, sensor: Device, central: Device) -> None:
        await sensor.start_advertising()
        await central.connect(SENSOR)
        await central.host.send_sync_command(hci.HCI_Reset_Command())
        assert controller_of(link, CENTRAL).le_connections

    stock_pair(main)


def test_an_advertisement_is_still_reported_twice_without_its_scan_response() -> None:
    async def main(_link: LocalLink, sensor: Device, central: Device) -> list[Advertisement]:
        seen: list[Advertisement] = []
        central.on(Device.EVENT_ADVERTISEMENT, seen.append)
        sensor.scan_response_data = bytes(AdvertisingData([(AdvertisingData.Type.COMPLETE_LOCAL_NAME, b"Birch")]))
        sensor.advertising_data = bytes(AdvertisingData([(AdvertisingData.Type.FLAGS, b"\x06")]))
        await central.start_scanning()
        await sensor.start_advertising()
        await asyncio.sleep(0.01)
        return seen

    seen = stock_pair(main)
    assert len(seen) == 2
    assert {a.rssi for a in seen} == {-50}
    assert not any(a.data.get_all(AdvertisingData.Type.COMPLETE_LOCAL_NAME, raw=True) for a in seen)


def test_a_name_that_is_no_utf8_still_raises_unless_raw() -> None:
    data = AdvertisingData.from_bytes(bytes(AdvertisingData([(AdvertisingData.Type.COMPLETE_LOCAL_NAME, b"\xff")])))
    with pytest.raises(UnicodeDecodeError):
        data.get_all(AdvertisingData.Type.COMPLETE_LOCAL_NAME)
    assert data.get_all(AdvertisingData.Type.COMPLETE_LOCAL_NAME, raw=True) == [b"\xff"]


def test_notifications_are_cut_to_the_mtu_which_only_the_client_raises() -> None:
    async def main(_link: LocalLink, sensor: Device, central: Device) -> list[int]:
        await sensor.start_advertising()
        peer = Peer(await central.connect(SENSOR))
        await peer.discover_services()
        (value,) = [c for c in await peer.discover_characteristics() if c.uuid.to_hex_str() == "2A63"]
        lengths: list[int] = []
        await value.subscribe(lambda data: lengths.append(len(data)))
        attribute = sensor.gatt_server.get_attribute(value.handle)
        assert isinstance(attribute, Characteristic)
        for mtu in (None, 247):
            if mtu:
                await peer.request_mtu(mtu)
            await sensor.notify_subscribers(attribute, b"x" * 34)
            await asyncio.sleep(0.1)
        return lengths

    assert stock_pair(main) == [20, 34]


def test_link_loss_during_a_request_still_shows_as_a_cancellation() -> None:
    async def main(link: LocalLink, sensor: Device, central: Device) -> None:
        await sensor.start_advertising()
        peer = Peer(await central.connect(SENSOR))
        link.remove_controller(controller_of(link, SENSOR))
        reading = asyncio.create_task(peer.read_value(3))
        await asyncio.sleep(0.1)
        controller = controller_of(link, CENTRAL)
        controller.on_le_disconnected(next(iter(controller.le_connections.values())), 0x08)
        with pytest.raises(asyncio.CancelledError):
            await reading

    stock_pair(main)


def test_power_off_still_leaves_the_advertising_on() -> None:
    async def main(link: LocalLink, sensor: Device, _central: Device) -> bool:
        await sensor.start_advertising()
        await sensor.power_off()
        return bool(controller_of(link, SENSOR).is_advertising)

    assert stock_pair(main)


def test_errors_have_the_bases_that_are_caught() -> None:
    from bumble.att import ATT_Error
    from bumble.core import ConnectionError as LinkError
    from bumble.core import TimeoutError as AttTimeout

    assert issubclass(ATT_Error, BaseBumbleError)
    assert issubclass(LinkError, BaseBumbleError)
    assert issubclass(AttTimeout, BaseBumbleError)
    assert ATT_Error(0xFD).error_code == 0xFD
    assert ATT_Error(0x80).error_code == 0x80
