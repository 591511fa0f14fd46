"""One recording from its first second to the finished file: keeps time, syncs, follows the plan, ends properly."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from analysis.plan_file import Plan
from analysis.rows import Event
from recorder.host_watch import BEAT_S, HostWatch
from recorder.late_rows import wait_for_late_rows
from recorder.plan_runner import PlanRunner, PlanState
from recorder.recording_session import RecordingSession
from recorder.recording_summary import Summary, plural
from recorder.segment_marks import SegmentMarks
from recorder.source import NotHere, NotificationSource

__all__ = ["RecordingRun", "RunOptions", "RunTools", "Summary"]

SYNC_S = 1.0
ANCHOR_S = 60.0
RETRY_S = 1.0
NO_TIME = ("SIGPWR",)  # the power is failing: only the disk counts


async def _nothing(_why: str) -> None:
    return


@dataclass(frozen=True)
class RunOptions:
    """The plan starts `lead_in_s` after the recording; missing meters hold it up by `patience_s` at most."""

    plan: Plan | None = None
    duration_s: float | None = None
    lead_in_s: float = 0.0
    patience_s: float = 120.0
    awaited: frozenset[str] = frozenset()


@dataclass(frozen=True)
class RunTools:
    """What a run is given; `sync` is the journal's, `decided`, `attended` and `trainer` are for the plan's runner.

    `let_go` takes off whatever load was set on a trainer, bounded in time; it never raises.
    """

    session: RecordingSession
    source: NotificationSource
    sync: Callable[[], Awaitable[None]]
    say: Callable[[str], None]
    on_plan: Callable[[PlanState], None]
    decided: Callable[[], bool] = lambda: False
    attended: Callable[[], bool] = lambda: False
    trainer: str | None = None
    let_go: Callable[[str], Awaitable[None]] = _nothing


class RecordingRun:
    """`run` returns the reason why the recording ended; from then on no more rows are taken.

    `plan` is there to be steered, None where there is no plan; then a hand may mark segments by itself.
    """

    def __init__(self, tools: RunTools, options: RunOptions) -> None:
        self._tools = tools
        self._options = options
        self._reason: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._waited_enough = asyncio.Event()
        self._hurry = asyncio.Event()
        self.not_here: tuple[NotHere, ...] = ()
        self.plan_begun = False
        self.hand_marks = SegmentMarks(tools.session)
        self.plan = None if options.plan is None else self._runner(options.plan)

    def stop(self, reason: str) -> None:
        """End the recording; the first reason counts."""
        if not self._reason.done():
            self._reason.set_result(reason)

    def stop_at_once(self, reason: str) -> None:
        """As `stop`; where that was said before, what relays still hold is not waited for any longer."""
        if self.stopping:
            self._hurry.set()
        self.stop(reason)

    @property
    def stopping(self) -> bool:
        return self._reason.done()

    def begin_plan(self) -> None:
        """At once, whoever is missing."""
        self._waited_enough.set()

    async def run(self) -> str:
        session = self._tools.session
        for_ever = {"the source": self._listen, "the sync": self._sync, "the watch": self._beat, "UTC": self._anchor}
        work = [self._keep_going(what, once) for what, once in for_ever.items()]
        if self._options.duration_s is not None:
            work.append(self._stop_after(self._options.duration_s))
        tasks = [asyncio.create_task(w) for w in work]
        plan = asyncio.create_task(self._follow_plan())
        reason = await self._reason
        # The plan's last words (its open segment) belong to the recording; everything else may go.
        await _end([plan])
        await self._tools.let_go("the recording ends")
        self.hand_marks.close("stop")
        self._tell_faults(session.onlooker_faults)
        session.anchor_utc()
        session.end()
        if reason in NO_TIME:
            self._hurry.set()
        tools = self._tools
        self.not_here = await wait_for_late_rows(tools.source, session, tools.sync, tools.say, self._hurry)
        session.happened(Event.FINISHED, reason=reason)
        session.close()
        await _end(tasks)
        return reason

    def _tell_faults(self, count: int) -> None:
        if count:
            self._tell(
                f"{plural(count, 'fault', 'faults')} of screens or live figures; the recording itself is whole"
            )

    def _tell(self, words: str) -> None:
        self._tools.session.happened(Event.NOTE, text=words)
        self._tools.say(words)

    async def _keep_going(self, what: str, work: Callable[[], Awaitable[None]]) -> None:
        while True:
            try:
                await work()
            except Exception as fault:  # noqa: BLE001 - whatever breaks, in a radio's code or ours, the ride goes on
                self._tell(f"{what} failed and was started again: {type(fault).__name__}: {fault}")
            await asyncio.sleep(RETRY_S)

    async def _listen(self) -> None:
        await self._tools.source.run(self._tools.session)

    async def _beat(self) -> None:
        watch = HostWatch(self._tools.session.clock, self._tools.session)
        while True:
            watch.beat()
            await asyncio.sleep(BEAT_S)

    async def _sync(self) -> None:
        while True:
            await asyncio.sleep(SYNC_S)
            await self._tools.sync()

    async def _anchor(self) -> None:
        while True:
            self._tools.session.anchor_utc()
            await asyncio.sleep(ANCHOR_S)

    async def _stop_after(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
        self.stop("duration")

    async def _follow_plan(self) -> None:
        if self.plan is not None:
            await self._lead_in()
            await self._all_present()
            self.plan_begun = True
            try:
                await self.plan.run()
            except Exception as fault:  # noqa: BLE001 - whatever breaks in the plan, the ride goes on without it
                await self._tools.let_go("the plan broke off")
                self._tell(f"the plan broke off ({type(fault).__name__}: {fault}); the recording goes on until ended")
            else:
                self.stop("plan")

    def _runner(self, plan: Plan) -> PlanRunner:
        tools = self._tools
        return PlanRunner(
            plan,
            tools.session,
            self._show_plan,
            decided=self._is_decided,
            attended=tools.attended,
            trainer=tools.trainer,
        )

    def _show_plan(self, state: PlanState) -> None:
        try:
            self._tools.on_plan(state)
        except Exception:  # noqa: BLE001 - a fault of a screen must not end the plan
            self._tools.session.onlooker_faults += 1

    def _is_decided(self) -> bool:
        try:
            return self._tools.decided()
        except Exception:  # noqa: BLE001 - a fault of a statistic must not end the plan; the step takes its full time
            self._tools.session.onlooker_faults += 1
            return False

    async def _lead_in(self) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._options.lead_in_s):
                await self._waited_enough.wait()

    async def _all_present(self) -> None:
        awaited = set(self._options.awaited)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._options.patience_s):
                while not awaited <= self._tools.source.live() and not self._waited_enough.is_set():  # noqa: ASYNC110
                    await asyncio.sleep(BEAT_S)  # sources are asked, they do not call
        missing = ", ".join(sorted(awaited - self._tools.source.live()))
        if missing:
            waited = "as asked" if self._waited_enough.is_set() else f"nothing came in {self._options.patience_s:g} s"
            self._tools.say(f"starting without {missing}: {waited}")


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
