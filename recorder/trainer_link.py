"""What a linked trainer can be set to, and what it answers when it is set; says in words what did not work."""

from __future__ import annotations

import contextlib

from analysis.characteristics.fitness_machine_control_point import FitnessMachineResponse
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import FITNESS_MACHINE_FEATURE, SUPPORTED_LEVELS, SUPPORTED_POWERS
from recorder.bluetooth_library import BleakGATTProtocolError
from recorder.bluetooth_link import TRAINER_CONTROL_POINT, BluetoothLink
from recorder.control_point import NoAnswer
from recorder.link_failures import trouble_of

_READ = (FITNESS_MACHINE_FEATURE, SUPPORTED_LEVELS, SUPPORTED_POWERS)


async def read_trainer(link: BluetoothLink) -> dict[str, bytes] | str:
    """By characteristic, once per link. Never raises."""
    if not link.has(TRAINER_CONTROL_POINT):
        return "does not offer that its load is set by the standard's means"
    for characteristic in _READ:
        if link.has(characteristic) and characteristic not in link.values:
            with contextlib.suppress(Exception):  # one value less; what is missing is said where it is needed
                await link.read(characteristic)
    return {c: link.values[c] for c in _READ if c in link.values}


async def ask_trainer(link: BluetoothLink, request: bytes, timeout_s: float) -> str:
    """Empty where the trainer has done it, else what went wrong. Never raises but when cancelled."""
    try:
        control_point = await link.control_point(TRAINER_CONTROL_POINT)
        if control_point is None:
            return "it does not answer requests"
        response = FitnessMachineResponse.from_bytes(await control_point.ask(request, timeout_s))
    except NoAnswer:
        return f"it did not answer within {timeout_s:g} s"
    except NotUnderstood as fault:
        return f"it did not answer as the standard says ({fault.reason})"
    except BleakGATTProtocolError as error:
        return f"it refused the request (attribute error 0x{error.code:02X})"
    except Exception as error:  # noqa: BLE001 - the libraries raise many kinds; the person is told what came of it
        return f"the link failed while asking: {trouble_of(error)[0].value}"
    return "" if response.succeeded else response.result_words
