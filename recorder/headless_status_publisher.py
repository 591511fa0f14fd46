"""Sends the status of a recording to a broker and takes its commands; a task of its own, which nothing waits for.

Below the base topic: `status` (each 10 s and on change; the broker says "offline" in our name if we vanish),
`command` in, `answer` out. Nothing is retained, and a retained command is not obeyed: it may be of another day.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from recorder.companions import Riding
from recorder.control_words import Ask
from recorder.headless_status import OFFLINE, SensorBatteries, command_from, status_message, to_json, what_matters
from recorder.host_battery import POWER_SUPPLIES, host_charge
from recorder.host_clock import HostClock
from recorder.mqtt_client import Broker, BrokerTrouble, Connection, Received, Will, connected, keep_connected

EVERY_S = 10.0
LOOK_EVERY_S = 0.5
FAREWELL_S = 4.0
COMMANDS_WAITING = 16
BREATH_S = 0.2  # between two commands: each mark is a row


@dataclass
class StatusPublisher:
    """A companion. `batteries` has to be an onlooker of the same recording."""

    broker: Broker
    base: str
    bench_name: str
    clock: HostClock
    say: Callable[[str], None]
    batteries: SensorBatteries
    accept_stop: bool = False
    supplies: Path = POWER_SUPPLIES
    every_s: float = EVERY_S
    _over: asyncio.Event = field(default_factory=asyncio.Event)
    _connected: bool = False
    _told: str = ""

    @asynccontextmanager
    async def beside(self, riding: Riding) -> AsyncIterator[None]:
        sending = asyncio.create_task(self._keep_sending(riding))
        try:
            yield
        finally:
            self._over.set()
            if self._connected:
                await asyncio.wait([sending], timeout=FAREWELL_S)
            sending.cancel()
            with suppress(asyncio.CancelledError):
                await sending

    async def _keep_sending(self, riding: Riding) -> None:
        identity = f"wattproof-{secrets.token_hex(6)}"
        will = Will(f"{self.base}/status", OFFLINE)

        async def use(connection: Connection) -> None:
            await self._serve(connection, riding)

        await keep_connected(
            lambda: connected(self.broker, identity, will, most_waiting=COMMANDS_WAITING), use, self._hear
        )

    async def _serve(self, connection: Connection, riding: Riding) -> None:
        """Until the recording is over. Who may not hear commands still tells its status."""
        listening = asyncio.create_task(self._listen(connection, riding))
        telling = asyncio.create_task(self._keep_telling(connection, riding))
        try:
            done, _ = await asyncio.wait([listening, telling], return_when=asyncio.FIRST_COMPLETED)
            if telling not in done:
                await listening
            await telling
        finally:
            for task in (listening, telling):
                task.cancel()
            await asyncio.gather(listening, telling, return_exceptions=True)

    async def _keep_telling(self, connection: Connection, riding: Riding) -> None:
        while True:
            over, told = self._over.is_set(), what_matters(riding)
            # In a thread: asking the gauge of a battery can take its time.
            charge = await asyncio.to_thread(host_charge, self.supplies)
            message = status_message(riding, self.bench_name, self.batteries.pct, charge, self.clock.utc_ns())
            await connection.publish(f"{self.base}/status", to_json(message))
            if over:
                return
            await self._until_due(riding, told)

    async def _until_due(self, riding: Riding, told: tuple[object, ...]) -> None:
        for _ in range(max(1, round(self.every_s / LOOK_EVERY_S))):
            with suppress(TimeoutError):
                async with asyncio.timeout(min(LOOK_EVERY_S, self.every_s)):
                    await self._over.wait()
            if self._over.is_set() or what_matters(riding) != told:
                return

    async def _listen(self, connection: Connection, riding: Riding) -> None:
        try:
            await connection.subscribe(f"{self.base}/command")
        except BrokerTrouble as trouble:
            if not trouble.lasting:
                raise
            self.say(f"no commands are taken: {trouble}")
            return
        async for received in connection.messages():
            words = self._obey(received, riding)
            await connection.publish(f"{self.base}/answer", to_json({"schema": 1, "words": words}))
            await asyncio.sleep(BREATH_S)

    def _obey(self, received: Received, riding: Riding) -> str:
        if received.retained:
            return "a retained command is not obeyed: it may be of another day; publish it without that"
        command = command_from(received.payload)
        if isinstance(command, str):
            return command
        if command.do == "mark":
            return riding.control.do(Ask("mark", text=command.text))
        if not self.accept_stop:
            return "this recorder was started without --accept-stop"
        riding.run.stop_at_once("broker")
        return "the recording is being finished"

    def _hear(self, trouble: BrokerTrouble | None) -> None:
        self._connected = trouble is None
        words = f"status goes to {self.broker.address}" if trouble is None else f"no status is sent: {trouble}"
        if words != self._told:
            self._told = words
            self.say(words)
