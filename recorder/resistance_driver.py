"""Carries a trainer's load between the plan, the keys and the radio, as the policy of `trainer_resistance` says."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from typing import Any

from analysis.characteristics.fitness_machine_control_point import FitnessMachineRequest
from analysis.plan_file import Resistance
from analysis.rows import Event, Row
from recorder.plan_runner import PlanState
from recorder.source import RecordSink, SetsResistance
from recorder.trainer_resistance import State, TrainerResistance, ability_of, unconfirmed

TICK_S = 0.25
ANSWER_S = 3.0
LAST_ANSWER_S = 0.6
END_S = 2.0  # a ride that ends must soon be on the disk


class ResistanceDriver:
    """`answerer_there`: whether the screen whose key allowed a load is still attached.

    An onlooker of the recording: the link of the trainer comes and goes as rows. `end` may be called twice.
    """

    def __init__(self, trainer: str, source: SetsResistance, sink: RecordSink, say: Callable[[str], None]) -> None:
        self.trainer = trainer
        self.answerer_there: Callable[[], bool] = lambda: False
        self._source = source
        self._sink = sink
        self._say = say
        self._policy = TrainerResistance(trainer, self._tell)
        self._wish: Resistance | None = None
        self._considered = True
        self._turn: tuple[float, int | None] | None = None
        self._wake = asyncio.Event()
        self._asking: asyncio.Task[str] | None = None
        self._running: asyncio.Task[None] | None = None
        self._ended = False
        self._fault_told = False

    @property
    def question(self) -> str:
        """What a person is asked to allow, empty where nothing waits for a key."""
        return self._policy.question

    def start(self) -> None:
        self._running = asyncio.create_task(self._run())

    # -- what others tell --------------------------------------------------------------------------------------

    def on_plan(self, state: PlanState) -> None:
        turn = (state.began_at_s, state.number)
        if turn == self._turn:
            return  # the same one, made longer or shorter
        self._turn = turn
        self._wish = state.turn.step.resistance if state.turn is not None else None
        self._considered = False
        if self._wish is None:
            self._let_go("the step asks for no load")
        self._wake.set()

    def __call__(self, row: Row, _fields: Mapping[str, Any]) -> None:
        if row.event is None or row.sensor != self.trainer or self._ended:
            return
        if row.event == Event.LINK_LOST:
            self._policy.link_lost()
            self._considered = False
        elif row.event == Event.LINK_FOUND:
            self._policy.link_lost()  # also where a link was lost so fast that nobody told
            self._policy.link_back()
            self._considered = False
        elif row.event == Event.SILENT:
            self._let_go("it sends nothing any more")
        self._wake.set()

    def allow(self, question: str) -> str:
        self._wake.set()
        return self._policy.allow(question)

    def release(self, why: str) -> str:
        """A hand wants the load off, or steers the plan; the load comes back with the next step that asks for it."""
        self._wish = None
        self._let_go(why)
        return f"{self.trainer} is let go"

    def _let_go(self, why: str) -> None:
        self._policy.let_go(why)
        if self._asking is not None:
            self._asking.cancel()  # letting go waits for no earlier answer
        self._wake.set()

    def _tell(self, state: State, words: str) -> None:
        self._sink.happened(Event.RESISTANCE, self.trainer, state=state, words=words)
        self._say(words)

    # -- the work ----------------------------------------------------------------------------------------------

    async def _run(self) -> None:
        while True:
            self._wake.clear()
            try:
                await self._work()
            except Exception as fault:  # noqa: BLE001 - whatever breaks here, the load must come off; told once
                self._let_go(f"setting it failed ({type(fault).__name__})")
                if not self._fault_told:
                    self._fault_told = True
                    self._sink.happened(Event.NOTE, text=f"setting the load: {type(fault).__name__}: {fault}")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(TICK_S):
                    await self._wake.wait()

    async def _work(self) -> None:
        if self._policy.busy and not self._policy.letting_go and not self.answerer_there():
            self._let_go("the screen whose key allowed it is gone")
        await self._consider()
        await self._send_all(ANSWER_S)

    async def _consider(self) -> None:
        """What the step asks for, once it can be known what the trainer can do."""
        wish = self._wish
        if self._considered or wish is None or not self._is_live():
            return
        self._considered = True
        values = await self._source.trainer_values(self.trainer)
        ability = values if isinstance(values, str) else ability_of(wish.mode, values)
        if wish is not self._wish:
            return  # the plan went on meanwhile, or a hand let go
        if isinstance(ability, str):
            self._policy.cannot(ability)
        else:
            self._policy.wish(wish, ability)

    def _is_live(self) -> bool:
        return self.trainer in self._source.live()

    async def _send_all(self, answer_s: float) -> None:
        while (request := self._policy.next(asyncio.get_running_loop().time())) is not None:
            await self._send(request, answer_s)

    async def _send(self, request: FitnessMachineRequest, answer_s: float) -> None:
        asking = self._asking = asyncio.ensure_future(
            self._source.ask_trainer(self.trainer, bytes(request), answer_s)
        )
        try:
            await asyncio.wait({asking})
        finally:
            self._asking = None
            asking.cancel()
        if not asking.cancelled():
            self._policy.answered(request, asking.result())

    async def end(self, why: str) -> None:
        """Let go, bounded in time; nothing is set from then on. Never raises."""
        if self._ended:
            return
        self._wish, self._considered = None, True
        if self._running is not None:
            self._running.cancel()
            await asyncio.gather(self._running, return_exceptions=True)
        self._policy.let_go(why)
        try:
            async with asyncio.timeout(END_S):
                await self._send_all(LAST_ANSWER_S)
        except Exception as fault:  # noqa: BLE001 - the ride must be finished in any case, and the person told
            what = "it did not answer in time" if isinstance(fault, TimeoutError) else type(fault).__name__
            self._tell("refused", unconfirmed(self.trainer, what))
        self._ended = True
