"""Several sources as one: this computer's own radio, and relays that reach what is out of its range."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

from analysis.rows import Event
from recorder.source import ComesLate, FindsZero, NotHere, NotificationSource, RecordSink, SetsResistance
from recorder.zero_offset import ZeroOffsetAnswer, unreachable

RETRY_S = 1.0
CLOSE_S = 8.0


class CombinedSource:
    """`own` may be None; `relayed` names the relay of each sensor that is reached by one."""

    def __init__(
        self, own: NotificationSource | None, relays: Sequence[NotificationSource], relayed: Mapping[str, str]
    ) -> None:
        self._own = own
        self._sources = [source for source in (own, *relays) if source is not None]
        self._relayed = relayed

    async def check(self) -> None:
        await asyncio.gather(*(source.check() for source in self._sources))

    async def run(self, sink: RecordSink) -> None:
        async with asyncio.TaskGroup() as group:
            for source in self._sources:
                group.create_task(_keep_going(source, sink))

    async def close(self) -> None:
        """All at once, so that the slowest of them sets the time."""
        closing = [asyncio.ensure_future(source.close()) for source in self._sources]
        _, late = await asyncio.wait(closing, timeout=CLOSE_S)
        for task in late:
            task.cancel()

    def live(self) -> frozenset[str]:
        return frozenset().union(*(source.live() for source in self._sources))

    def ending(self) -> None:
        for source in self._late:
            source.ending()

    def still_to_come(self) -> str:
        return ", ".join(words for source in self._late if (words := source.still_to_come()))

    def not_here(self) -> tuple[NotHere, ...]:
        return tuple(missing for source in self._late for missing in source.not_here())

    @property
    def _late(self) -> list[ComesLate]:
        return [source for source in self._sources if isinstance(source, ComesLate)]

    async def zero_offset(self, sensor: str) -> ZeroOffsetAnswer:
        if sensor in self._relayed:
            return unreachable(sensor, at_the_relay(self._relayed[sensor]))
        if isinstance(self._own, FindsZero):
            return await self._own.zero_offset(sensor)
        return unreachable(sensor, "the sensor is not connected")

    async def trainer_values(self, sensor: str) -> dict[str, bytes] | str:
        own = self._own_trainers(sensor)
        return "is reached by a relay, which sets no load" if own is None else await own.trainer_values(sensor)

    async def ask_trainer(self, sensor: str, request: bytes, timeout_s: float) -> str:
        own = self._own_trainers(sensor)
        if own is None:
            return "it is reached by a relay, which sets no load"
        return await own.ask_trainer(sensor, request, timeout_s)

    def _own_trainers(self, sensor: str) -> SetsResistance | None:
        return self._own if sensor not in self._relayed and isinstance(self._own, SetsResistance) else None


def at_the_relay(relay: str) -> str:
    return f"it is reached by relay {relay}; zero it there with `wattproof ready BENCH --relay {relay}`"


async def _keep_going(source: NotificationSource, sink: RecordSink) -> None:
    """A relay that fails must not take the radio along, nor the other way round."""
    while True:
        try:
            await source.run(sink)
        except Exception as fault:  # noqa: BLE001 - whatever breaks in one source, the others go on
            words = f"a source failed and was started again: {type(fault).__name__}: {fault}"
            sink.happened(Event.NOTE, text=words)
        await asyncio.sleep(RETRY_S)
