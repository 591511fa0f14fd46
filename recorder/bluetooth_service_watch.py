"""Whether the Bluetooth service lives and an adapter is on, told within moments; on Linux only, by its message bus.

The library itself goes on calling everything connected when the service crashes or the adapter is switched off. A
service that hangs is told as such and nothing more: links may outlive it, and whether they do shows in their data.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from recorder.bluetooth_library import ServiceListener

GONE = "the Bluetooth service is gone"
OFF = "Bluetooth is switched off"
NO_ADAPTER = "the Bluetooth adapter is gone"
NO_BUS = "the system's message bus is gone"
HUNG = "the Bluetooth service does not answer"
ANSWERS_AGAIN = "the Bluetooth service answers again"

_SERVICE = "org.bluez"
_ADAPTER = "org.bluez.Adapter1"
_RULES = (
    f"type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged',arg0='{_SERVICE}'",
    f"type='signal',interface='org.freedesktop.DBus.Properties',member='PropertiesChanged',arg0='{_ADAPTER}'",
    "type='signal',interface='org.freedesktop.DBus.ObjectManager',arg0path='/org/bluez/'",
)
_RETRY_S = 1.0
_ASK_EVERY_S = 0.75
_ANSWER_S = 1.0
_GRACE_S = 0.25  # after a standstill of our own the answer waits unread, while the time for it is long over


class AdapterState:
    """Follows the signals of the service; tells only changes."""

    def __init__(self, listener: ServiceListener) -> None:
        self._listener = listener
        self._service = True
        self._hangs = False
        self._powered: dict[str, bool] = {}
        self._said: str | None = None  # None: all is well, as everybody assumes at the start

    @property
    def present(self) -> bool:
        """Whether there is a service that could be asked."""
        return self._service

    def hangs(self, hangs: bool) -> None:
        """Whether it left a question without an answer."""
        if self._service and hangs != self._hangs:
            self._hangs = hangs
            self._listener.service_hangs(hangs)

    def service(self, present: bool) -> None:
        self._service = present
        self._hangs = False
        self._powered.clear()
        if not present:
            self._say(GONE)  # when it is back, its adapters are announced one by one

    def adapter(self, path: str, powered: bool | None) -> None:
        """None: the adapter is gone."""
        was_on = self._powered.pop(path, False)
        if powered is not None:
            self._powered[path] = powered
        if not self._service:
            return
        others_go_on = any(self._powered.values())
        self._say(None if others_go_on else OFF if self._powered else NO_ADAPTER)
        if others_go_on and was_on and not powered:
            self._listener.adapter_lost(path, NO_ADAPTER if powered is None else OFF)

    def unknown(self, words: str) -> None:
        """Nothing can be seen of it at present."""
        self._hangs = False
        self._powered.clear()
        self._say(words)

    def _say(self, words: str | None) -> None:
        if words == self._said:
            return
        self._said = words
        self._listener.service_changed(words)


async def watch_service(listener: ServiceListener) -> None:
    """Until cancelled; returns at once where there is no such service to watch."""
    if sys.platform != "linux":
        return
    state = AdapterState(listener)
    while True:
        try:
            await _watch_bus(state)
        except TimeoutError:
            state.unknown(HUNG)
        except Exception:  # noqa: BLE001 - the bus library raises many kinds when a bus dies; all mean the same
            state.unknown(NO_BUS)
        await asyncio.sleep(_RETRY_S)


if sys.platform == "linux":
    from recorder.bluetooth_library import BusType, Message, MessageBus, MessageFlag, MessageType

    async def _watch_bus(state: AdapterState) -> None:
        bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            await bus.connect()
            bus.add_message_handler(lambda message: _on_signal(state, message))
            for rule in _RULES:
                await _call(bus, "org.freedesktop.DBus", "/org/freedesktop/DBus", "AddMatch", rule)
            await _look_around(bus, state)
            asking = asyncio.ensure_future(_keep_asking(bus, state))
            try:
                await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            finally:
                asking.cancel()
            state.unknown(NO_BUS)
        finally:
            bus.disconnect()

    async def _keep_asking(bus: MessageBus, state: AdapterState) -> None:
        """A service that hangs still owns its name, and nothing but a question shows it."""
        while True:
            await asyncio.sleep(_ASK_EVERY_S)
            if not state.present:
                continue
            answer = asyncio.ensure_future(_ping(bus))
            try:
                for patience_s in (_ANSWER_S, _GRACE_S):
                    await asyncio.wait({answer}, timeout=patience_s)
                state.hangs(not answer.done())
                while not answer.done() and state.present:
                    await asyncio.wait({answer}, timeout=_ANSWER_S)
                state.hangs(False)
            finally:
                answer.cancel()

    async def _ping(bus: MessageBus) -> None:
        # Without the flag the bus would start a service that was stopped on purpose.
        ping = Message(
            destination=_SERVICE,
            path="/",
            interface="org.freedesktop.DBus.Peer",
            member="Ping",
            flags=MessageFlag.NO_AUTOSTART,
        )
        with contextlib.suppress(Exception):  # a bus that dies is noticed by whoever waits for its end
            await bus.call(ping)

    async def _look_around(bus: MessageBus, state: AdapterState) -> None:
        """What is there already; no error of the service says more than that it is not there."""
        reply = await _call(bus, _SERVICE, "/", "GetManagedObjects")
        if reply is None or reply.message_type is not MessageType.METHOD_RETURN:
            state.service(False)
            return
        state.service(True)
        adapters = {path: found[_ADAPTER] for path, found in reply.body[0].items() if _ADAPTER in found}
        if not adapters:
            state.adapter("", None)
        for path, properties in adapters.items():
            state.adapter(path, _powered(properties))

    async def _call(bus: MessageBus, destination: str, path: str, member: str, *arguments: str) -> Message | None:
        interface = "org.freedesktop.DBus.ObjectManager" if member == "GetManagedObjects" else "org.freedesktop.DBus"
        message = Message(
            destination=destination,
            path=path,
            interface=interface,
            member=member,
            signature="s" * len(arguments),
            body=list(arguments),
        )
        async with asyncio.timeout(2.0):
            return await bus.call(message)

    def _on_signal(state: AdapterState, message: Message) -> None:
        if message.message_type is not MessageType.SIGNAL:
            return
        body = message.body
        if message.member == "NameOwnerChanged" and body[0] == _SERVICE:
            state.service(bool(body[2]))
        elif message.member == "PropertiesChanged" and body[0] == _ADAPTER and "Powered" in body[1]:
            state.adapter(str(message.path), _powered(body[1]))
        elif message.member == "InterfacesAdded" and _ADAPTER in body[1]:
            state.adapter(body[0], _powered(body[1][_ADAPTER]))
        elif message.member == "InterfacesRemoved" and _ADAPTER in body[1]:
            state.adapter(body[0], None)

    def _powered(properties: dict[str, Any]) -> bool:
        powered = properties.get("Powered")
        return bool(powered.value) if powered is not None else False
