"""One simulated adapter in the central role: scans and connects for many users, and never cuts a request short."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any, TypeVar

from bumble import hci
from bumble.core import BaseBumbleError
from bumble.device import Advertisement, Connection, Device

from recorder.bluetooth_library import BleakError

_T = TypeVar("_T")
_ADAPTER_S = 5.0  # an adapter answers in milliseconds, unless its process is gone
_PATIENCE_S = 1.0  # for a sensor just heard; the adapter can try one at a time


async def unbroken(work: Coroutine[Any, Any, _T]) -> _T:
    """The result of `work`, which runs to its end even where the caller is cancelled.

    A request cut short would leave its late answer to the next one.
    """
    task = asyncio.ensure_future(work)
    task.add_done_callback(lambda done: done.cancelled() or done.exception())  # the caller may be gone by then
    return await asyncio.shield(task)


@asynccontextmanager
async def _answering() -> AsyncIterator[None]:
    try:
        async with asyncio.timeout(_ADAPTER_S):
            yield
    except TimeoutError:
        raise BleakError("The simulated adapter does not answer") from None


class Central:
    """One adapter in the central role, shared by all its scanners and clients."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self._one_attempt = asyncio.Lock()
        self._scan_change = asyncio.Lock()
        self._scanners = 0

    @asynccontextmanager
    async def scanning(self) -> AsyncIterator[None]:
        await unbroken(self._count_scanner(+1))
        try:
            yield
        finally:
            await unbroken(self._count_scanner(-1))

    async def _count_scanner(self, change: int) -> None:
        async with self._scan_change, _answering():
            self._scanners += change
            if change > 0 and self._scanners == 1:
                await self.device.start_scanning()
            elif self._scanners == 0:
                await self.device.stop_scanning()

    async def heard(self, address: str) -> None:
        """Wait for the next advertisement of `address`."""
        seen = asyncio.Event()

        def on_advertisement(advertisement: Advertisement) -> None:
            if str(advertisement.address) == address:
                seen.set()

        self.device.on(Device.EVENT_ADVERTISEMENT, on_advertisement)
        try:
            async with self.scanning():
                await seen.wait()
        finally:
            self.device.remove_listener(Device.EVENT_ADVERTISEMENT, on_advertisement)

    async def connect(self, address: str) -> Connection:
        """Try while the sensor is silent; the caller sets the limit of time.

        Raises:
            BleakError: it left in the moment of connecting.
        """
        while True:
            # Attempts are one at a time, so an absent sensor must not take its turn.
            await self.heard(address)
            async with self._one_attempt:
                attempt = asyncio.ensure_future(self.device.connect(address, timeout=_PATIENCE_S))
                try:
                    connection = await asyncio.shield(attempt)
                except (BaseBumbleError, TimeoutError):
                    continue
                except asyncio.CancelledError:
                    await unbroken(self._abandon(attempt))
                    raise
                if not self._has(connection):
                    raise BleakError("The connection failed to be established")
                return connection

    async def _abandon(self, attempt: asyncio.Future[Connection]) -> None:
        async with _answering():
            await self.device.cancel_connection()  # type: ignore[no-untyped-call]
        (outcome,) = await asyncio.gather(attempt, return_exceptions=True)
        if isinstance(outcome, Connection):
            await self.disconnect(outcome)

    async def disconnect(self, connection: Connection) -> None:
        if self._has(connection):
            async with _answering():
                await self.device.disconnect(connection, hci.HCI_ErrorCode.REMOTE_USER_TERMINATED_CONNECTION_ERROR)

    def _has(self, connection: Connection) -> bool:
        return self.device.connections.get(connection.handle) is connection
