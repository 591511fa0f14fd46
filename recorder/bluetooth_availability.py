"""Whether this computer can receive anything by Bluetooth at all, and if not, why, in one plain sentence."""

from __future__ import annotations

from recorder.bluetooth_library import (
    BleakAdapter,
    BleakBluetoothNotAvailableError,
    BleakDBusError,
    BleakError,
)
from recorder.bounded import bounded
from recorder.errors import NoBluetooth

_PATIENCE_S = 5.0
_NO_SERVICE = (
    "There is no Bluetooth service on this computer; install and start it (on Linux: bluetoothd), "
    "or try the demo, which needs no Bluetooth."
)
_BY_REASON = {
    "NO_BLUETOOTH": "There is no Bluetooth adapter on this computer; plug one in and try again.",
    "NO_BLE_CENTRAL_ROLE": "The Bluetooth adapter of this computer cannot connect to sensors; use another one.",
    "POWERED_OFF": "Bluetooth is switched off; switch it on and try again.",
}
_DENIED = "This program may not use Bluetooth; allow it in the settings of the system and try again."


async def require_bluetooth() -> None:
    """:raises NoBluetooth: where nothing can ever be received."""
    try:
        await bounded(BleakAdapter.get(), _PATIENCE_S)
    except BleakBluetoothNotAvailableError as error:
        raise NoBluetooth(_BY_REASON.get(error.reason.name, _DENIED)) from error
    except TimeoutError as error:
        raise NoBluetooth("The Bluetooth service of this computer does not answer; restart it.") from error
    except (OSError, EOFError, BleakDBusError) as error:
        raise NoBluetooth(_NO_SERVICE) from error
    except NotImplementedError:
        return  # this platform cannot say beforehand; scanning will
    except (BleakError, KeyError) as error:
        # KeyError: a service so old that it does not state what its adapters can do.
        raise NoBluetooth(f"Bluetooth cannot be used on this computer ({type(error).__name__}: {error}).") from error
