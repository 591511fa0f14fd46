"""The air between simulated controllers: range, supervision, congestion; knows nothing of what the packets mean.

Bumble's own link and controller are ideal: nothing is ever lost, delayed or cancelled. The classes here add what a
real link does (Bluetooth Core 5.4, Vol 6 Part B and Vol 4 Part E). They override Bumble's internals, so every
assumption has a test in tests/test_bumble_canary.py. One device per controller, each with a random static address.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from bumble import hci, ll
from bumble.controller import Connection, Controller
from bumble.core import PhysicalTransport
from bumble.device import Device, DeviceConfiguration
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink

SUPERVISION_S = 0.72  # a common setting of sensors: 72 units of 10 ms
_TIMED_OUT = hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR
_NOT_ESTABLISHED = hci.HCI_ErrorCode.CONNECTION_FAILED_TO_BE_ESTABLISHED_ERROR


@dataclass
class _Gate:
    """What stands between one sensor and everybody else."""

    in_range: bool = True
    held_until_s: float = 0.0
    supervision: asyncio.TimerHandle | None = None
    waiting: deque[tuple[hci.Address, hci.Address, Callable[[], None]]] = field(default_factory=deque)

    def is_closed(self, now_s: float) -> bool:
        # Whatever waits goes first: the link layer repeats a packet until it arrives and never changes the order.
        return bool(self.waiting) or not self.in_range or now_s < self.held_until_s


class VirtualLink(LocalLink):
    """`rssi_dbm` gives the signal strength at which an advertisement of that address is heard."""

    def __init__(
        self, *, supervision_s: float = SUPERVISION_S, rssi_dbm: Callable[[str], int] = lambda _address: -60
    ) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.supervision_s = supervision_s
        self.rssi_dbm = rssi_dbm
        # In order of arrival, where the base class keeps a set whose order changes from run to run.
        self._by_address: dict[hci.Address, Controller] = {}
        self._gates: dict[hci.Address, _Gate] = {}

    def set_in_range(self, address: str, up: bool) -> None:
        """Out of range nothing passes, and after `supervision_s` both ends lose their link with reason 0x08."""
        gate = self._gate(hci.Address(address))
        if gate.in_range == up:
            return
        gate.in_range = up
        if up:
            if gate.supervision is not None:
                gate.supervision.cancel()
            self._let_through(gate)
        else:
            loop = asyncio.get_running_loop()
            gate.supervision = loop.call_later(self.supervision_s, self._link_timed_out, hci.Address(address))

    def hold(self, address: str, seconds: float) -> None:
        """Congestion: whatever is sent to or from `address` in the next `seconds` arrives after them, in order."""
        gate = self._gate(hci.Address(address))
        loop = asyncio.get_running_loop()
        gate.held_until_s = max(gate.held_until_s, loop.time() + seconds)
        loop.call_at(gate.held_until_s, self._let_through, gate)

    def scan_response(self, address: hci.Address) -> bytes:
        controller = self._by_address.get(address)
        return controller.le_legacy_advertiser.scan_response_data if controller else b""

    def lose_peers_of(self, controller: Controller) -> None:
        """The controller has forgotten its connections; the other ends notice by supervision."""
        for connection in controller.le_connections.values():
            peer = self._by_address.get(connection.peer_address)
            other_end = peer and peer.le_connections.get(connection.self_address)
            if peer and other_end:
                asyncio.get_running_loop().call_later(self.supervision_s, _end, peer, other_end, _TIMED_OUT)

    # Bumble calls the following.

    def on_address_changed(self, controller: Controller) -> None:
        self._by_address = {a: c for a, c in self._by_address.items() if c is not controller}
        self._by_address[controller.random_address] = controller

    def remove_controller(self, controller: Controller) -> None:
        super().remove_controller(controller)
        self._by_address = {a: c for a, c in self._by_address.items() if c is not controller}

    def find_le_controller(self, address: hci.Address) -> Controller | None:
        return self._by_address.get(address)

    def send_advertising_pdu(self, sender_controller: Controller, packet: ll.AdvertisingPdu) -> None:
        loop = asyncio.get_running_loop()
        if isinstance(packet, ll.ConnectInd):
            loop.call_soon(self._deliver_connect, sender_controller, packet)
        elif self._gate(sender_controller.random_address).in_range:
            for controller in self._by_address.values():
                if controller is not sender_controller and (
                    controller.le_scan_enable or controller.pending_le_connection
                ):
                    loop.call_soon(controller.on_ll_advertising_pdu, packet)

    def send_acl_data(
        self,
        sender_controller: Controller,
        destination_address: hci.Address,
        transport: PhysicalTransport,  # always LE here
        data: bytes,
    ) -> None:
        source = sender_controller.random_address
        self._carry(source, destination_address, partial(self._deliver_acl, source, destination_address, data))

    def send_ll_control_pdu(
        self, sender_address: hci.Address, receiver_address: hci.Address, packet: ll.ControlPdu
    ) -> None:
        deliver = partial(self._deliver_control, sender_address, receiver_address, packet)
        self._carry(sender_address, receiver_address, deliver)

    # The way of a packet.

    def _gate(self, address: hci.Address) -> _Gate:
        return self._gates.setdefault(address, _Gate())

    def _carry(self, source: hci.Address, destination: hci.Address, deliver: Callable[[], None]) -> None:
        loop = asyncio.get_running_loop()
        for gate in (self._gate(source), self._gate(destination)):
            if gate.is_closed(loop.time()):
                gate.waiting.append((source, destination, deliver))
                return
        loop.call_soon(deliver)

    def _let_through(self, gate: _Gate) -> None:
        waiting, gate.waiting = gate.waiting, deque()
        if gate.is_closed(asyncio.get_running_loop().time()):
            gate.waiting = waiting
            return
        for source, destination, deliver in waiting:
            self._carry(source, destination, deliver)

    def _deliver_acl(self, source: hci.Address, destination: hci.Address, data: bytes) -> None:
        receiver = self._by_address.get(destination)
        if receiver and source in receiver.le_connections:
            receiver.on_link_acl_data(source, PhysicalTransport.LE, data)

    def _deliver_control(self, source: hci.Address, destination: hci.Address, packet: ll.ControlPdu) -> None:
        receiver = self._by_address.get(destination)
        if receiver and source in receiver.le_connections:
            receiver.on_ll_control_pdu(source, packet)

    def _deliver_connect(self, initiator: Controller, packet: ll.ConnectInd) -> None:
        advertiser = self._by_address.get(packet.advertiser_address)
        if advertiser and self._gate(packet.advertiser_address).in_range:
            advertiser.on_ll_advertising_pdu(packet)
            if packet.initiator_address in advertiser.le_connections:
                return
        # It left, or another central was faster, between its advertisement and this request.
        connection = initiator.le_connections.get(packet.advertiser_address)
        if connection:
            _end(initiator, connection, _NOT_ESTABLISHED)

    def _link_timed_out(self, address: hci.Address) -> None:
        self._gate(address).waiting.clear()
        controller = self._by_address.get(address)
        if controller is None:
            return
        for peer_address, connection in list(controller.le_connections.items()):
            _end(controller, connection, _TIMED_OUT)
            peer = self._by_address.get(peer_address)
            other_end = peer and peer.le_connections.get(address)
            if peer and other_end:
                _end(peer, other_end, _TIMED_OUT)


def _end(controller: Controller, connection: Connection, reason: int) -> None:
    if controller.le_connections.get(connection.peer_address) is connection:
        controller.on_le_disconnected(connection, reason)


class VirtualController(Controller):
    """Legacy advertising only, as most sensors do; otherwise what the standard asks and Bumble leaves out."""

    le_features = Controller.le_features & ~(
        hci.LeFeatureMask.LE_EXTENDED_ADVERTISING | hci.LeFeatureMask.LE_PERIODIC_ADVERTISING
    )

    def __init__(self, name: str, link: VirtualLink) -> None:
        super().__init__(name, link=link)
        self._air = link

    def on_hci_reset_command(self, _command: hci.HCI_Reset_Command) -> hci.HCI_StatusReturnParameters:
        # Core Vol 4 Part E 7.3.2: back to standby. A restarted host would otherwise find its sensors still taken.
        self._air.lose_peers_of(self)
        self.le_connections.clear()
        self.pending_le_connection = None
        self.le_scan_enable = False
        self.le_legacy_advertiser.stop()
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_hci_le_create_connection_cancel_command(
        self, _command: hci.HCI_LE_Create_Connection_Cancel_Command
    ) -> hci.HCI_StatusReturnParameters:
        # 7.8.13: the attempt ends with a connection complete event, without which its host waits for ever.
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is not None:
            event = hci.HCI_LE_Connection_Complete_Event(
                status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                connection_handle=0,
                role=hci.Role.CENTRAL,
                peer_address_type=pending.peer_address.address_type,
                peer_address=pending.peer_address,
                connection_interval=0,
                peripheral_latency=0,
                supervision_timeout=0,
                central_clock_accuracy=0,
            )
            asyncio.get_running_loop().call_soon(self.send_hci_packet, event)
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_advertising_pdu(self, pdu: ll.AdvInd | ll.AdvExtInd) -> None:
        if self.le_scan_enable:
            self._report(pdu, hci.HCI_LE_Advertising_Report_Event.EventType.ADV_IND, pdu.data)
            if self.le_scan_type == hci.HCI_LE_Set_Scan_Parameters_Command.ACTIVE_SCANNING:
                response = self._air.scan_response(pdu.advertiser_address)
                self._report(pdu, hci.HCI_LE_Advertising_Report_Event.EventType.SCAN_RSP, response)
        pending = self.pending_le_connection
        if pending is not None and pending.peer_address == pdu.advertiser_address:
            self.create_le_connection(pdu.advertiser_address)

    def _report(
        self,
        pdu: ll.AdvInd | ll.AdvExtInd,
        event_type: hci.HCI_LE_Advertising_Report_Event.EventType,
        data: bytes,
    ) -> None:
        report = hci.HCI_LE_Advertising_Report_Event.Report(
            event_type=event_type,
            address_type=pdu.advertiser_address.address_type,
            address=pdu.advertiser_address,
            data=data,
            rssi=self._air.rssi_dbm(str(pdu.advertiser_address)),
        )
        self.send_hci_packet(hci.HCI_LE_Advertising_Report_Event([report]))


def device_on(link: VirtualLink, name: str, address: str) -> Device:
    """A device of its own controller. `address` must be random static: the link knows controllers by it alone."""
    if not hci.Address(address).is_static:
        raise ValueError(f"{address} of {name} is no random static address: its first digit must be C, D, E or F")
    controller = VirtualController(name, link)
    host = Host(controller, AsyncPipeSink(controller))
    # The name as an attribute must be text; the advertised one, which the peripheral sets, may be any bytes.
    text = name.encode("utf-8", "replace").decode()
    return Device(config=DeviceConfiguration(name=text, address=hci.Address(address)), host=host)
