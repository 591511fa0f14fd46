"""Builds a recording out of its parts: the only place where concrete clocks, files and sources are put together."""

from __future__ import annotations

import asyncio
import os
import platform
import secrets
import uuid
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.bench_file import Bench, Meter, Sensor, meter_streams
from analysis.characteristics.registry import DECODER_VERSION
from analysis.plan_file import Plan
from analysis.recording_schema import SCHEMA_MAJOR, SCHEMA_MINOR
from analysis.safe_text import file_slug, safe_text
from analysis.version import product_version
from recorder.companions import Companion, Riding, accompanied
from recorder.control_place import control_place
from recorder.control_server import ControlServer, served
from recorder.errors import FolderUnusable, RecorderError
from recorder.folder_lock import FolderLock
from recorder.host_clock import HostClock
from recorder.journal import JournalEncoder
from recorder.journal_file import JournalFile
from recorder.journal_log import JournalLog, StorageWords
from recorder.journal_segments import journal_segments
from recorder.live_readings import Onlooker
from recorder.plan_runner import PlanState
from recorder.ready_file import Ready, keep_ready
from recorder.recording_run import RecordingRun, RunOptions, RunTools, Summary
from recorder.recording_session import RecordingSession
from recorder.recovery import FALLBACK_FOLDERS, JOURNAL_SUFFIX, FolderRecovery, recover_folder, recover_journal
from recorder.resistance_driver import ResistanceDriver
from recorder.ride_control import ControlledParts, RideControl, SaidWords
from recorder.signals import ending_signals
from recorder.source import NotificationSource, SetsResistance
from recorder.storage import Storage

if TYPE_CHECKING:
    from recorder.bluetooth_library import Backend
    from recorder.live_decision import LiveDecision
    from recorder.sensor_matching import SensorTarget

NEEDED_BYTES = 200_000_000
CLOSE_S = 2.6  # from the end of the ride; a source bounds itself to less


@dataclass(frozen=True)
class RecordJob:
    """What to record, where to, and for how long at most. `continues`: the session that this one goes on with."""

    bench: Bench
    folder: Path
    plan: Plan | None = None
    duration_s: float | None = None
    lead_in_s: float = 0.0
    patience_s: float = 120.0
    needed_bytes: int = NEEDED_BYTES
    ready: Ready | None = None
    control: bool = False
    allow_resistance: bool = False
    continues: str | None = None


@dataclass(frozen=True)
class Surroundings:
    """Everything concrete that a recording needs; a simulation gives its own."""

    clock: HostClock
    storage: Storage
    source: NotificationSource
    say: Callable[[str], None]
    onlookers: Sequence[Onlooker] = ()
    on_plan: Callable[[PlanState], None] = field(default=lambda state: None)
    companions: Sequence[Companion] = ()


def bluetooth_source(
    bench: Bench, clock: HostClock, backend: Backend | None, seed: int | None = None
) -> NotificationSource:
    """The sensors of a bench through Bluetooth; `backend` None is this computer's own radio."""
    from recorder.bluetooth_source import BluetoothSource

    return BluetoothSource(targets_of(bench), clock, backend, seed=seed)


def combined_source(
    bench: Bench, bench_folder: Path, clock: HostClock, backend: Backend | None, environment: Mapping[str, str]
) -> NotificationSource:
    """The sensors of a bench, those of its relays among them. A bench without relays needs no broker's library.

    :raises BadInput: for a relay whose broker is not stated, or cannot be as stated.
    """
    if not bench.relay:
        return bluetooth_source(bench, clock, backend)
    from recorder.combined_source import CombinedSource
    from recorder.mqtt_relay import RelaySource
    from recorder.relay_places import relay_places

    own = bench.reached_by(None)
    radio = bluetooth_source(own, clock, backend) if own.stream_names else None
    places = relay_places(bench, bench_folder, environment)
    return CombinedSource(radio, [RelaySource(place, clock) for place in places], bench.relayed)


def targets_of(bench: Bench) -> list[SensorTarget]:
    """One target per radio."""
    from recorder.sensor_matching import SensorTarget

    targets = []
    for meter in bench.meter:
        if meter.addresses:
            pairs = zip(meter_streams(meter), meter.addresses, strict=True)
            targets += [SensorTarget(stream, "meter", address) for stream, address in pairs]
        else:
            targets.append(_target(meter, "meter", meter.serial))
    return targets + [_target(sensor, sensor.kind, None) for sensor in bench.sensor]


def _target(radio: Meter | Sensor, kind: Any, serial: str | None) -> SensorTarget:
    from recorder.sensor_matching import SensorTarget

    match = radio.match
    return SensorTarget(
        radio.name,
        kind,
        address=radio.address,
        match_name=match.name if match else None,
        match_serial=match.serial if match else None,
        expected_serial=serial,
    )


async def record(job: RecordJob, around: Surroundings) -> Summary:
    """Record one ride, from finishing what an earlier one left behind to the verified file.

    :raises RecorderError: before anything is recorded; later troubles are handled and said.
    """
    await around.source.check()
    with FolderLock(job.folder, around.storage, job.needed_bytes):
        found = recover_folder(job.folder, around.storage)
        recovered = tuple(r.in_words() for r in found.recovered)
        for words in (*(f"recovered {words}" for words in recovered), *found.left):
            around.say(words)
        return await _record_locked(job, around, recovered)


async def _record_locked(job: RecordJob, around: Surroundings, recovered: tuple[str, ...]) -> Summary:
    session_id = uuid.uuid4().hex
    encoder = JournalEncoder(session_id, _header(job, around.clock, session_id), secrets.randbits(32))
    said = SaidWords(around.say, around.clock, around.clock.now_ns())
    control = RideControl(said)
    trouble = StorageWords(said)
    stem = _stem(job, around.clock)
    journal = JournalFile(
        around.storage, job.folder, stem, encoder, around.clock.now_ns, trouble, fallback_folder=FALLBACK_FOLDERS[0]
    )
    log = JournalLog(encoder, journal)
    server = None if not job.control else _control_server(job.folder, control, said)
    attended = (lambda: server.watchers > 0) if server is not None else (lambda: False)
    decision = _decision(job, control, attended)
    onlookers: list[Onlooker] = [*around.onlookers, control, *([decision] if decision else [])]
    session = RecordingSession(around.clock, log, job.bench.stream_names, onlookers)
    trouble.sink = session
    decided = decision.decided if decision is not None else lambda: False
    setting = _resistance(job, around, session, said)
    tools = RunTools(session, around.source, journal.sync, said, around.on_plan, decided, attended)
    if setting is not None:
        onlookers.append(setting)
        setting.answerer_there = lambda: server is not None and server.answerer_there
        tools = replace(
            tools, on_plan=_both(setting.on_plan, around.on_plan), trainer=setting.trainer, let_go=setting.end
        )
    awaited = frozenset(name for meter in job.bench.meter for name in meter_streams(meter))
    run = RecordingRun(tools, RunOptions(job.plan, job.duration_s, job.lead_in_s, job.patience_s, awaited))
    control.steer(ControlledParts(run, session, around.source, job.bench, job.plan, lambda: journal.paths, setting))
    if job.ready is not None:
        keep_ready(job.ready, session)
    # To the very end: who is logged out, or presses twice, sends several, and the file is not made yet.
    with ending_signals(run.stop_at_once):
        beside = accompanied(around.companions, Riding(control, session, run), said)
        async with served(server, said), _deciding(decision, session, run), _setting(setting), beside:
            reason = await run.run()
            end_ns = session.now_ns
            control.close()
            # Safe first: a Bluetooth service that hangs must not stand between the ride and the disk, nor keep us.
            closing = asyncio.create_task(around.source.close())
            close_by_s = asyncio.get_running_loop().time() + CLOSE_S
            await journal.finish({"reason": reason, "finished_ns": end_ns})
            path = await _finished(journal, around)
            left = None if path else journal.paths[0]
            summary = Summary(path, left, end_ns / 1e9, reason, session.counts, recovered, run.not_here)
            control.ended(path, summary.in_words())
        await asyncio.wait([closing], timeout=max(close_by_s - asyncio.get_running_loop().time(), 0.0))
        closing.cancel()
    return summary


def _decision(job: RecordJob, control: RideControl, attended: Callable[[], bool]) -> LiveDecision | None:
    """None where nobody could ask for it."""
    ends_on_verdicts = job.plan is not None and any(step.until == "decided" for step in job.plan.step)
    if not ends_on_verdicts and not job.control:
        return None
    from recorder.live_decision import LiveDecision

    return LiveDecision(job.bench, lambda: control.reference, lambda: ends_on_verdicts or attended())


@asynccontextmanager
async def _deciding(
    decision: LiveDecision | None, session: RecordingSession, run: RecordingRun
) -> AsyncIterator[None]:
    if decision is None:
        yield
        return
    looking = asyncio.create_task(decision.run(session, lambda: run.plan is not None and run.plan.until_decided))
    try:
        yield
    finally:
        looking.cancel()


def _resistance(
    job: RecordJob, around: Surroundings, session: RecordingSession, say: Callable[[str], None]
) -> ResistanceDriver | None:
    """None where no load is to be set, or none can be; the latter is said."""
    if job.plan is None or not any(step.resistance for step in job.plan.step):
        return None
    trainers = [meter.name for meter in job.bench.meter if meter.place == "trainer"]
    if not job.allow_resistance:
        say("the plan asks for the trainer's load, which is set only with --allow-resistance: set it at the trainer")
    elif not job.control:
        say("no screen is there whose key could allow the trainer's load (see --control): none is set")
    elif len(trainers) != 1 or not isinstance(around.source, SetsResistance):
        say("the trainer's load cannot be set: the bench file must name one meter whose place is `trainer`")
    else:
        return ResistanceDriver(trainers[0], around.source, session, say)
    return None


@asynccontextmanager
async def _setting(setting: ResistanceDriver | None) -> AsyncIterator[None]:
    """However the recording ends, the load comes off."""
    if setting is None:
        yield
        return
    setting.start()
    try:
        yield
    finally:
        await setting.end("the recorder ends")


def _both(first: Callable[[PlanState], None], second: Callable[[PlanState], None]) -> Callable[[PlanState], None]:
    def tell(state: PlanState) -> None:
        first(state)
        second(state)

    return tell


def _control_server(folder: Path, control: RideControl, said: SaidWords) -> ControlServer | None:
    try:
        server = ControlServer(control_place(folder, make=True), control)
    except RecorderError as fault:
        said(str(fault))
        return None
    said.on_change = server.changed
    return server


async def _finished(journal: JournalFile, around: Surroundings) -> Path | None:
    """The verified file, or None where only the journal could be kept."""
    loop = asyncio.get_running_loop()
    try:
        found = await loop.run_in_executor(None, recover_journal, journal.paths, around.storage)
        for words in found.troubles():
            around.say(words)
        return found.recording
    except RecorderError as fault:
        around.say(str(fault))
    except Exception as fault:  # noqa: BLE001 - whatever breaks here, the ride is safe and that must be said
        around.say(f"the recording could not be finished ({type(fault).__name__}: {fault}); its journal is kept.")
    return None


def _stem(job: RecordJob, clock: HostClock) -> str:
    """`2026-11-25_0930_quayside-bench`, with a number behind it where that is taken."""
    day = datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC).astimezone()
    first = f"{day:%Y-%m-%d_%H%M}_{file_slug(job.bench.bench.name)}"
    stem, number = first, 1
    while any((job.folder / f"{stem}{suffix}").exists() for suffix in (".parquet", JOURNAL_SUFFIX, ".ballast")):
        number += 1
        stem = f"{first}-{number}"
    return stem


def _header(job: RecordJob, clock: HostClock, session_id: str) -> dict[str, Any]:
    return {
        "schema_major": SCHEMA_MAJOR,
        "schema_minor": SCHEMA_MINOR,
        "decoder_version": DECODER_VERSION,
        "product_version": product_version(),
        "session_id": session_id,
        "pid": os.getpid(),
        "host": safe_text(platform.node() or "unknown"),
        "clock": clock.name,
        "utc_anchors": {},
        "bench": job.bench.public.as_dict(),
        "plan": None if job.plan is None else job.plan.as_dict(),
        "continues": job.continues,
        "sensors": {s.sensor: s.identity for s in job.ready.sensors if s.identity} if job.ready is not None else {},
    }


def recover_path(path: Path, storage: Storage) -> FolderRecovery:
    """Finish what was interrupted in a folder, or the one journal named.

    :raises RecorderError: where the folder is in use, or the one journal named cannot be finished.
    """
    if not path.exists():
        raise FolderUnusable(f"there is no {safe_text(str(path), 200)}; give a folder or a journal in it.")
    folder = path if path.is_dir() else path.parent
    with FolderLock(folder, storage):
        if path.is_dir():
            return recover_folder(path, storage)
        return FolderRecovery((recover_journal(journal_segments(path, *FALLBACK_FOLDERS), storage),), ())
