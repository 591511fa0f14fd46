"""The names we use of the Bluetooth and message-bus libraries; the only module that imports either.

Importing this module costs what the libraries cost: import it inside the function that is about to use a radio.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

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
    "SizedBuffer",
    "TellHanging",
    "TellService",
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


# What is wrong, or None when all is well again; and whether the service is there but does not answer.
TellService = Callable[[str | None], None]
TellHanging = Callable[[bool], None]
WatchService = Callable[[TellService, TellHanging], Awaitable[None]]


@dataclass(frozen=True)
class Backend:
    """What `BleakClient(backend=...)` and `BleakScanner(backend=...)` are given; None is the platform's own.

    `watch` tells of the service behind them until it is cancelled; None where that of the platform is watched, or,
    for a radio that is not the platform's own, nothing can go wrong with it.
    """

    client: type[BaseBleakClient] | None = None
    scanner: type[BaseBleakScanner] | None = None
    watch: WatchService | None = None
