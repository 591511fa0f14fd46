"""What an exception of the Bluetooth libraries means; the only place that looks into their message texts."""

from __future__ import annotations

import asyncio

from recorder.bluetooth_library import (
    BleakBluetoothNotAvailableError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
)
from recorder.link_actions import Trouble

_SERVICE_GONE = ("ServiceUnknown", "NoReply", "NameHasNoOwner", "Disconnected", "NotReady")


class LinkFailed(Exception):
    """A connection that we ourselves give up."""

    def __init__(self, trouble: Trouble, detail: str = "") -> None:
        super().__init__(trouble.value, detail)
        self.trouble = trouble
        self.detail = detail


def trouble_of(error: BaseException) -> tuple[Trouble, str]:
    """The cause and a detail for brackets."""
    match error:
        case LinkFailed():
            found = error.trouble, error.detail
        case TimeoutError() | asyncio.CancelledError():
            found = Trouble.TIMED_OUT, ""
        case BleakDeviceNotFoundError():
            found = Trouble.VANISHED, ""
        case BleakDBusError():
            found = _of_bus_error(error)
        case BleakBluetoothNotAvailableError() | OSError() | EOFError():
            found = Trouble.SERVICE, type(error).__name__
        case BleakError():
            found = _of_text(str(error))
        case _:
            found = Trouble.OTHER, type(error).__name__
    return found


def _of_bus_error(error: BleakDBusError) -> tuple[Trouble, str]:
    name = error.dbus_error.rsplit(".", 1)[-1]
    if name == "InProgress":
        return Trouble.BUSY, ""
    if name in _SERVICE_GONE:
        return Trouble.SERVICE, name
    if name == "UnknownObject":
        return Trouble.VANISHED, ""
    if "abort-by-local" in (error.dbus_error_details or ""):
        return Trouble.ABORTED, ""
    return Trouble.OTHER, f"{name}: {error.dbus_error_details}" if error.dbus_error_details else name


def _of_text(text: str) -> tuple[Trouble, str]:
    low = text.lower()
    if "disconnect" in low or "not connected" in low:
        return Trouble.DROPPED, ""
    if "not found" in low:
        return Trouble.VANISHED, ""
    if "service discovery" in low:
        return Trouble.UNREADABLE, ""
    return Trouble.OTHER, text
