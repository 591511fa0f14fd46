"""The names we use of the Bluetooth and message-bus libraries; the only module that imports either.

Importing this module costs what the libraries cost: import it inside the function that is about to use a radio.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Protocol

from bleak import BleakAdapter, BleakClient, BleakScanner
from bleak.args import SizedBuffer
from bleak.assigned_numbers import CharacteristicPropertyName, gatt_char_props_to_strs
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from bleak.uuids import normalize_uuid_16, normalize_uuid_str

__all__ = [
    "AdvertisementData",
    "BLEDevice",
    "Backend",
    "BaseBleakClient",
    "BaseBleakScanner",
    "BleakAdapter",
    "BleakBluetoothNotAvailableError",
    "BleakCharacteristicNotFoundError",
    "BleakClient",
    "BleakDBusError",
    "BleakDeviceNotFoundError",
    "BleakError",
    "BleakGATTCharacteristic",
    "BleakGATTDescriptor",
    "BleakGATTProtocolError",
    "BleakGATTService",
    "BleakGATTServiceCollection",
    "BleakScanner",
    "CharacteristicPropertyName",
    "NotifyCallback",
    "ServiceListener",
    "SizedBuffer",
    "WatchService",
    "gatt_char_props_to_strs",
    "normalize_uuid_16",
    "normalize_uuid_str",
]

if sys.platform == "linux":
    from dbus_fast import BusType, Message, MessageFlag, MessageType
    from dbus_fast.aio import MessageBus

    __all__ += ["BusType", "Message", "MessageBus", "MessageFlag", "MessageType"]

# What goes wrong is said in our own words; without a handler these libraries would write to the terminal themselves.
for _library in ("bleak", "dbus_fast"):
    logging.getLogger(_library).addHandler(logging.NullHandler())


def not_left_by_the_bus(record: logging.LogRecord) -> bool:
    """False for an error on a bus that is gone, which its library leaves behind for nobody to look at.

    Where a program ends while the Bluetooth service hangs, asyncio would print it with a traceback.
    """
    trace = record.exc_info[2] if record.exc_info else None
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    where = "" if trace is None else str(trace.tb_frame.f_globals.get("__name__"))
    return not (where.startswith("dbus_fast.") and "never retrieved" in record.getMessage())


logging.getLogger("asyncio").addFilter(not_left_by_the_bus)


class ServiceListener(Protocol):
    """Who is told how the Bluetooth service does."""

    def service_changed(self, trouble: str | None) -> None:
        """What is wrong with all of it, or None when all is well again."""

    def service_hangs(self, hangs: bool) -> None:
        """Whether it is there but does not answer."""

    def adapter_lost(self, path: str, words: str) -> None:
        """One of several adapters is off or gone; `path` is its name on the bus."""


WatchService = Callable[[ServiceListener], Awaitable[None]]


@dataclass(frozen=True)
class Backend:
    """What `BleakClient(backend=...)` and `BleakScanner(backend=...)` are given; None is the platform's own.

    `watch` tells of the service behind them until it is cancelled; None where that of the platform is watched, or,
    for a radio that is not the platform's own, nothing can go wrong with it.
    """

    client: type[BaseBleakClient] | None = None
    scanner: type[BaseBleakScanner] | None = None
    watch: WatchService | None = None
