"""Sensors reached by Bluetooth: carries out what the reconnection machine decides, and hands on what comes."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Coroutine, Iterable
from typing import Any

from analysis.rows import Event as RowEvent
from analysis.rows import RowKind
from recorder.bluetooth_availability import require_bluetooth
from recorder.bluetooth_identity import read_identity, verify_serial
from recorder.bluetooth_library import Backend
from recorder.bluetooth_link import CONTROL_POINT, BluetoothLink
from recorder.bluetooth_service_watch import ANSWERS_AGAIN, HUNG, watch_service
from recorder.host_clock import HostClock
from recorder.link_actions import (
    Action,
    Connect,
    Probe,
    Release,
    StartScan,
    StopScan,
    TellLost,
    TellRadio,
    TellSilent,
    TellWaiting,
    Timings,
    Trouble,
)
from recorder.link_failures import LinkFailed, trouble_of
from recorder.reconnection import Reconnection, State
from recorder.sensor_finder import SensorFinder
from recorder.sensor_matching import Ambiguous, Candidate, SensorMatcher, SensorTarget
from recorder.source import RecordSink
from recorder.stream_intake import StreamIntake
from recorder.trainer_link import ask_trainer, read_trainer
from recorder.zero_offset import REQUEST, ZeroOffsetAnswer, ask_zero_offset, read_answer, unreachable

__all__ = ["BluetoothSource", "SensorTarget", "Timings"]


class BluetoothSource:
    """A `recorder.source.NotificationSource`. `backend` None: this computer's own radio."""

    def __init__(
        self,
        targets: Iterable[SensorTarget],
        clock: HostClock,
        backend: Backend | None = None,
        timings: Timings | None = None,
        seed: int | None = None,
    ) -> None:
        self._targets = {t.sensor: t for t in targets}
        self._clock = clock
        self._backend = backend or Backend()
        self._timings = timings or Timings()
        self._matcher = SensorMatcher(self._targets.values(), self._timings.name_settle_s, self._timings.fresh_s)
        self._finder = SensorFinder(self._matcher, clock, self._backend)
        self._machine = Reconnection(self._targets, self._timings, random.Random(seed), self._now_s())
        self._adapter_work: asyncio.Queue[StartScan | StopScan | Connect] = asyncio.Queue()
        self._links: dict[str, BluetoothLink] = {}
        self._intakes = {name: StreamIntake(name, clock.now_ns()) for name in self._targets}
        self._tasks: dict[asyncio.Task[None], str] = {}  # background work, by the sensor it is for
        self._sink: RecordSink | None = None
        self._closing = False
        self.callback_faults = 0

    # -- what the recorder calls -------------------------------------------------------------------------------

    async def check(self) -> None:
        if self._backend.scanner is None:
            await require_bluetooth()

    async def run(self, sink: RecordSink) -> None:
        self._sink = sink
        async with asyncio.TaskGroup() as group:
            group.create_task(self._work_adapter())
            group.create_task(self._tick())
            group.create_task(self._watch_service())

    def live(self) -> frozenset[str]:
        return frozenset(name for name, link in self._links.items() if link.has_data and link.is_up)

    async def close(self) -> None:
        self._closing = True
        for task, purpose in self._tasks.items():
            if purpose != "release":
                task.cancel()
        closing = [link.close(self._timings.close_s) for link in self._links.values()]
        work = {asyncio.ensure_future(w) for w in (*closing, self._finder.stop())}
        work |= {task for task, purpose in self._tasks.items() if purpose == "release"}
        # All at once: a disconnect takes the system two seconds, and a hanging service must not hold up saving.
        _, late = await asyncio.wait(work, timeout=self._timings.close_s)
        for task in late:
            task.cancel()
        self._links.clear()

    async def zero_offset(self, sensor: str) -> ZeroOffsetAnswer:
        """Ask for offset compensation; the answer says in words what came of it, whatever happened. Never raises."""
        link = self._links.get(sensor)
        if link is None or not link.is_up:
            return unreachable(sensor, "the sensor is not connected")
        self._happened(RowEvent.ZERO_ASKED, sensor, request=REQUEST.hex())
        answer = await ask_zero_offset(link, self._timings.zero_offset_s)
        self._tell_zero_answer(answer)
        return answer

    async def trainer_values(self, sensor: str) -> dict[str, bytes] | str:
        link = self._links.get(sensor)
        return "is not connected" if link is None or not link.is_up else await read_trainer(link)

    async def ask_trainer(self, sensor: str, request: bytes, timeout_s: float) -> str:
        link = self._links.get(sensor)
        if link is None or not link.is_up:
            return "it is not connected"
        return await ask_trainer(link, request, timeout_s)

    # -- the machine and its surroundings ----------------------------------------------------------------------

    def _now_s(self) -> float:
        return self._clock.now_ns() / 1e9

    def _happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        if self._sink is not None and not self._closing:
            self._sink.happened(event, sensor, **detail)

    def _carry_out(self, actions: Iterable[Action]) -> None:
        if not self._closing:
            for action in actions:
                self._carry_out_one(action)

    def _carry_out_one(self, action: Action) -> None:
        match action:
            case StartScan() | StopScan() | Connect():
                self._adapter_work.put_nowait(action)
            case Release(sensor, forget):
                self._in_background("release", self._release(sensor, forget))
            case Probe(sensor):
                self._in_background(sensor, self._probe(sensor))
            case TellLost(sensor, reason):
                self._happened(RowEvent.LINK_LOST, sensor, reason=reason)
            case TellWaiting(sensor, reason, next_try_s, failures):
                next_try_s = round(next_try_s, 1)
                self._happened(RowEvent.LINK_WAITING, sensor, reason=reason, next_try_s=next_try_s, failures=failures)
            case TellSilent(sensor, silent_s):
                self._happened(RowEvent.SILENT, sensor, silent_s=round(silent_s, 1))
            case TellRadio(words):
                self._happened(RowEvent.BLUETOOTH_SERVICE, words=words)

    def _in_background(self, purpose: str, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks[task] = purpose
        task.add_done_callback(lambda t: self._tasks.pop(t, None))

    async def _tick(self) -> None:
        while True:
            self._look()
            now_ns = self._clock.now_ns()
            rest_after_s = self._timings.silent_s
            ages = {name: self._intakes[name].age(now_ns, rest_after_s) for name in self._links}
            self._carry_out(self._machine.tick(ages, now_ns / 1e9))
            await asyncio.sleep(self._timings.tick_s)

    def _look(self) -> None:
        for sensor in self._machine.searching():
            match self._matcher.match(sensor, self._now_s()):
                case Candidate(_, seen_s, _):
                    self._carry_out(self._machine.seen(sensor, seen_s, self._now_s()))
                case Ambiguous(words):
                    self._carry_out(self._machine.unclear(sensor, words))

    async def _watch_service(self) -> None:
        watch = self._backend.watch or (watch_service if self._backend.scanner is None else None)
        if watch is not None:
            await watch(self)

    # -- what the watch on the service reports -----------------------------------------------------------------

    def service_hangs(self, hangs: bool) -> None:
        """Links may outlive it, so that none is given up for it; their data tells."""
        self._happened(RowEvent.BLUETOOTH_SERVICE, words=HUNG if hangs else ANSWERS_AGAIN)
        if not hangs:
            self._carry_out(self._machine.service_up(self._now_s()))

    def service_changed(self, trouble: str | None) -> None:
        self._happened(RowEvent.BLUETOOTH_SERVICE, words=trouble or "Bluetooth is back")
        for link in self._links.values():
            self._finder.distrust(link.address)
        now_s = self._now_s()
        self._carry_out(
            self._machine.service_up(now_s) if trouble is None else self._machine.service_down(trouble, now_s)
        )

    def adapter_lost(self, path: str, words: str) -> None:
        """Only the links through it are lost; what is sought from now on is sought through another one."""
        self._happened(RowEvent.BLUETOOTH_SERVICE, words=f"{words} ({path.rpartition('/')[2]}); another one is there")
        for link in [link for link in self._links.values() if link.goes_through(path)]:
            self._finder.distrust(link.address)
            self._carry_out(self._machine.link_down(link.sensor, words, self._now_s()))

    # -- the adapter: one thing at a time ----------------------------------------------------------------------

    async def _work_adapter(self) -> None:
        """The queue is the lock: stop scan, connect, read services and start scan never overlap."""
        while True:
            match await self._adapter_work.get():
                case StartScan():
                    await self._start_scan()
                case StopScan():
                    await self._finder.stop()
                case Connect(sensor, attempt):
                    try:
                        await self._connect(sensor, attempt)
                    except BaseException:
                        # Where `run` is started anew after a fault, nobody may wait for this attempt for ever.
                        self._carry_out(self._machine.connect_failed(sensor, Trouble.OTHER, "", self._now_s()))
                        raise

    async def _start_scan(self) -> None:
        if not self._machine.scanning:
            return
        try:
            await self._finder.start([link.address.upper() for link in self._links.values()])
        except Exception as error:  # noqa: BLE001 - the libraries raise many kinds; whatever it was, it is tried again
            trouble, detail = trouble_of(error)
            words = "the Bluetooth service says it is busy" if trouble is Trouble.BUSY else trouble.value
            self._carry_out(self._machine.scan_failed(detail or words, self._now_s()))
        else:
            self._carry_out(self._machine.scan_works())

    async def _connect(self, sensor: str, attempt: int) -> None:
        found = self._matcher.match(sensor, self._now_s())
        sighting = self._finder.take(found.address) if isinstance(found, Candidate) else None
        if not isinstance(found, Candidate) or sighting is None:
            self._carry_out(self._machine.connect_failed(sensor, Trouble.VANISHED, "", self._now_s()))
            return
        link = BluetoothLink(sensor, sighting.device, self, self._clock, self._backend, self._timings)
        told = False
        try:
            self._links[sensor] = link
            await link.open()
            link.require(self._targets[sensor].kind)
            await self._verify(link, found)
            # Before the first notification can come, since whoever reads the rows starts anew at this one.
            self._intakes[sensor].new_link(self._clock.now_ns())
            told = True
            self._happened(RowEvent.LINK_FOUND, sensor, attempt=attempt, rssi_dbm=sighting.rssi_dbm)
            refused = await link.subscribe(self._targets[sensor].kind)
        except Exception as error:  # noqa: BLE001 - the libraries raise many kinds; whatever it was, it is tried again
            trouble, detail = trouble_of(error)
            if told:
                self._happened(RowEvent.LINK_LOST, sensor, reason=trouble.value)
            self._carry_out(self._machine.connect_failed(sensor, trouble, detail, self._now_s()))
            return
        self._linked(link, sighting.name, refused)

    def _linked(self, link: BluetoothLink, name: str | None, refused: list[str]) -> None:
        self._finder.linked(link.address)
        self._matcher.bind(link.sensor, link.address, None)
        self._carry_out(self._machine.link_up(link.sensor, self._now_s()))
        if link.has_data:
            self._carry_out(self._machine.first_data(link.sensor))
        if refused:
            self._happened(RowEvent.NOTE, link.sensor, text=f"not subscribed: {', '.join(refused)}")
        self._in_background(link.sensor, self._identify(link, name))

    async def _verify(self, link: BluetoothLink, candidate: Candidate) -> None:
        of_others = self._matcher.serials_of_others(link.sensor)
        if candidate.must_serial is None and not of_others:
            return
        by_address = self._targets[link.sensor].address is not None
        only_serial_tells = candidate.must_serial is not None and candidate.stated and not by_address
        try:
            await verify_serial(link, candidate.must_serial, only_serial_tells, of_others)
        except LinkFailed:
            if not by_address:
                self._matcher.reject(link.sensor, link.address)
            raise

    async def _identify(self, link: BluetoothLink, name: str | None) -> None:
        identity = await read_identity(link, name)
        if not link.is_up or self._sink is None or self._closing:
            return
        self._matcher.bind(link.sensor, link.address, identity.serial)
        self._sink.identified(link.sensor, identity)
        expected = self._targets[link.sensor].expected_serial
        if expected is not None and identity.serial is not None and identity.serial != expected:
            words = f"its serial is {identity.serial}, the bench file says {expected}: is this the same unit?"
            self._happened(RowEvent.NOTE, link.sensor, text=words)
        try:
            await link.subscribe_battery()
        except Exception:  # noqa: BLE001 - the battery level was read; what matters of the link is watched elsewhere
            return

    async def _release(self, sensor: str, forget: bool) -> None:
        link = self._links.pop(sensor, None)
        for task, purpose in self._tasks.items():
            if purpose == sensor:
                task.cancel()
        if link is not None:
            await link.close(self._timings.release_s, forget)
            self.callback_faults += link.callback_faults
        self._carry_out(self._machine.released(sensor, self._now_s()))

    async def _probe(self, sensor: str) -> None:
        link = self._links.get(sensor)
        answered = link is not None and await link.probe()
        if link is self._links.get(sensor):
            self._carry_out(self._machine.probe_done(sensor, answered, self._now_s()))

    # -- what links report -------------------------------------------------------------------------------------

    def link_data(
        self, link: BluetoothLink, characteristic: str, payload: bytes, clock_ns: int, row_kind: RowKind
    ) -> None:
        if self._sink is None:
            return
        measured = self._intakes[link.sensor].take(self._sink, characteristic, payload, clock_ns, row_kind)
        if measured and not link.has_data:
            link.has_data = True
            if self._machine.state(link.sensor) is State.LINKED:
                self._carry_out(self._machine.first_data(link.sensor))

    def link_down(self, link: BluetoothLink) -> None:
        if self._links.get(link.sensor) is link:
            self._carry_out(self._machine.link_down(link.sensor, "the radio link fell", self._now_s()))

    def link_late_answer(self, link: BluetoothLink, characteristic: str, payload: bytes) -> None:
        if characteristic == CONTROL_POINT and payload[1:2] == REQUEST[:1]:
            self._tell_zero_answer(read_answer(link.sensor, payload, link.values.get("2a65"), late=True))

    def link_fault(self, link: BluetoothLink, words: str) -> None:
        self._happened(RowEvent.NOTE, link.sensor, text=f"a payload could not be taken ({words})")

    def _tell_zero_answer(self, answer: ZeroOffsetAnswer) -> None:
        self._happened(
            RowEvent.ZERO_ANSWERED,
            answer.sensor,
            result=answer.outcome,
            raw=answer.raw,
            unit=answer.unit,
            offset_nm=answer.offset_nm,
            words=answer.words,
        )
