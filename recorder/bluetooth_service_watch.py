"""Whether the Bluetooth service lives and an adapter is on, told within moments; on Linux only, by its message bus.

The library itself goes on calling everything connected when the service crashes or the adapter is switched off.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from typing import Any

Tell = Callable[[str | None], None]  # what is wrong, or None when all is well again

GONE = "the Bluetooth service is gone"
OFF = "Bluetooth is switched off"
NO_ADAPTER = "the Bluetooth adapter is gone"
NO_BUS = "the system's message bus is gone"
HUNG = "the Bluetooth service does not answer"

_SERVICE = "org.bluez"
_ADAPTER = "org.bluez.Adapter1"
_RULES = (
    f"type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged',arg0='{_SERVICE}'",
    f"type='signal',interface='org.freedesktop.DBus.Properties',member='PropertiesChanged',arg0='{_ADAPTER}'",
    "type='signal',interface='org.freedesktop.DBus.ObjectManager',arg0path='/org/bluez/'",
)
_RETRY_S = 1.0


class AdapterState:
    """Follows the signals of the service; tells only changes."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._service = True
        self._powered: dict[str, bool] = {}
        self._said: str | None = None  # None: all is well, as everybody assumes at the start

    def service(self, present: bool) -> None:
        self._service = present
        self._powered.clear()
        if not present:
            self._say(GONE)  # when it is back, its adapters are announced one by one

    def adapter(self, path: str, powered: bool | None) -> None:
        """None: the adapter is gone."""
        if powered is None:
            self._powered.pop(path, None)
        else:
            self._powered[path] = powered
        if not self._service:
            return
        self._say(None if any(self._powered.values()) else OFF if self._powered else NO_ADAPTER)

    def unknown(self, words: str) -> None:
        """Nothing can be seen of it at present."""
        self._powered.clear()
        self._say(words)

    def _say(self, words: str | None) -> None:
        if words == self._said:
            return
        self._said = words
        self._tell(words)


async def watch_service(tell: Tell) -> None:
    """Until cancelled; returns at once where there is no such service to watch."""
    if sys.platform != "linux":
        return
    state = AdapterState(tell)
    while True:
        try:
            await _watch_bus(state)
        except TimeoutError:
            state.unknown(HUNG)
        except Exception:  # noqa: BLE001 - the bus library raises many kinds when a bus dies; all mean the same
            state.unknown(NO_BUS)
        await asyncio.sleep(_RETRY_S)


if sys.platform == "linux":
    from recorder.bluetooth_library import BusType, Message, MessageBus, MessageType

    async def _watch_bus(state: AdapterState) -> None:
        bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            await bus.connect()
            bus.add_message_handler(lambda message: _on_signal(state, message))
            for rule in _RULES:
                await _call(bus, "org.freedesktop.DBus", "/org/freedesktop/DBus", "AddMatch", rule)
            await _look_around(bus, state)
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            state.unknown(NO_BUS)
        finally:
            bus.disconnect()

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
