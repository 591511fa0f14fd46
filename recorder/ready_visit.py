"""Reaches every sensor of a bench once, listens for a while, and asks for zero offsets; judges nothing."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

from analysis.bench_file import Bench, meter_streams
from analysis.rows import Event, RowKind
from recorder.arrivals import MEASURING
from recorder.errors import NoBluetooth
from recorder.ready import Heard
from recorder.ready_words import zero_instructions
from recorder.source import FindsZero, Identity, NotificationSource
from recorder.zero_offset import ZeroOffsetAnswer

LISTEN_S = 5.0  # at most, to tell how often a sensor speaks
ENOUGH_ARRIVALS = 5
CLOSE_S = 10.0
_POLL_S = 0.1


@dataclass(frozen=True)
class VisitOptions:
    """`patience_s` to reach everybody; with `zero`, `prepare` shows an instruction and returns when it is done."""

    patience_s: float = 30.0
    zero: bool = False
    prepare: Callable[[str], Awaitable[None]] | None = None


@dataclass
class _Arrived:
    first_ns: int
    last_ns: int
    count: int = 1


@dataclass
class _Notes:
    """A `recorder.source.RecordSink` that remembers what a check needs."""

    identities: dict[str, Identity] = field(default_factory=dict)
    rssi_dbm: dict[str, int] = field(default_factory=dict)
    arrived: dict[tuple[str, str], _Arrived] = field(default_factory=dict)

    def received(
        self, clock_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind = "notification"
    ) -> None:
        if row_kind != "notification" or characteristic not in MEASURING:
            return
        arrived = self.arrived.setdefault((sensor, characteristic), _Arrived(clock_ns, clock_ns, 0))
        arrived.count += 1
        arrived.last_ns = clock_ns

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        rssi_dbm = detail.get("rssi_dbm")
        if event == Event.LINK_FOUND and sensor is not None and rssi_dbm is not None:
            self.rssi_dbm[sensor] = rssi_dbm

    def identified(self, sensor: str, identity: Identity) -> None:
        self.identities[sensor] = identity

    def knows_rates(self, sensors: set[str]) -> bool:
        heard = {sensor for (sensor, _), arrived in self.arrived.items() if arrived.count >= ENOUGH_ARRIVALS}
        return sensors <= heard

    def rate_hz(self, sensor: str) -> float | None:
        """Of what tells most about whether somebody pedals; None where fewer than two came."""
        for characteristic in MEASURING:
            arrived = self.arrived.get((sensor, characteristic))
            if arrived is not None and arrived.last_ns > arrived.first_ns:
                return (arrived.count - 1) / ((arrived.last_ns - arrived.first_ns) / 1e9)
        return None


async def visit(bench: Bench, source: NotificationSource, options: VisitOptions) -> dict[str, Heard]:
    """What each stream said. The source is closed afterwards and cannot be used again.

    :raises NoBluetooth: where nothing can be received, or the radio fails meanwhile.
    """
    await source.check()
    notes = _Notes()
    running = asyncio.create_task(source.run(notes))
    try:
        visiting = asyncio.create_task(_visit_running(bench, source, options, notes))
        await asyncio.wait({running, visiting}, return_when=asyncio.FIRST_COMPLETED)
        if not visiting.done():
            visiting.cancel()
            raise NoBluetooth(
                f"the radio failed ({running.exception()}); switch Bluetooth off and on, and try again."
            )
        return visiting.result()
    finally:
        running.cancel()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                await source.close()
        await asyncio.gather(running, return_exceptions=True)


async def _visit_running(
    bench: Bench, source: NotificationSource, options: VisitOptions, notes: _Notes
) -> dict[str, Heard]:
    names = set(bench.stream_names)
    await _until(lambda: names <= notes.identities.keys(), options.patience_s)
    await _until(lambda: notes.knows_rates(names), LISTEN_S)
    zeros = await _zeros(bench, source, options, notes) if options.zero else {}
    return {
        name: Heard(
            identity=notes.identities.get(name),
            rssi_dbm=notes.rssi_dbm.get(name),
            rate_hz=notes.rate_hz(name),
            zero=zeros.get(name),
        )
        for name in names
    }


async def _until(true: Callable[[], bool], patience_s: float) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(patience_s):
            while not true():  # noqa: ASYNC110 - a source calls nobody back
                await asyncio.sleep(_POLL_S)


async def _zeros(
    bench: Bench, source: NotificationSource, options: VisitOptions, notes: _Notes
) -> dict[str, ZeroOffsetAnswer]:
    """One meter after the other, those with one instruction together."""
    answers: dict[str, ZeroOffsetAnswer] = {}
    if not isinstance(source, FindsZero):
        return answers
    reached = [m for m in bench.meter if any(stream in notes.identities for stream in meter_streams(m))]
    for instruction, meters in zero_instructions(reached).items():
        if options.prepare is not None:
            await options.prepare(instruction)
        for stream in (stream for meter in meters for stream in meter_streams(meter)):
            answers[stream] = await source.zero_offset(stream)
    return answers
