"""When a trainer's load may be set, and how fast: raised only after a key, ramped, let go at every doubt; pure."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from analysis.characteristics.fitness_machine_control_point import FitnessMachineRequest, OpCode
from analysis.characteristics.fitness_machine_ranges import (
    LEVEL_BIT,
    POWER_BIT,
    SIMULATION_BIT,
    FitnessMachineFeature,
    LevelRange,
    PowerRange,
)
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import FITNESS_MACHINE_FEATURE, SUPPORTED_LEVELS, SUPPORTED_POWERS
from analysis.plan_file import MOST_RESISTANCE, Resistance, resistance_words

Mode = Literal["level", "slope", "target-power"]
State = Literal["asked", "allowed", "set", "lowering", "released", "refused", "lost"]
Tell = Callable[[State, str], None]

PERIOD_S = 1.0
RATE_PER_S: dict[Mode, float] = {"level": 0.5, "slope": 0.5, "target-power": 5.0}
_BITS: dict[Mode, int] = {"level": LEVEL_BIT, "slope": SIMULATION_BIT, "target-power": POWER_BIT}
_SLOPE_STEP_PCT = 0.1
_SETS = (OpCode.SET_RESISTANCE_LEVEL, OpCode.SET_TARGET_POWER, OpCode.SET_BIKE_SIMULATION)


@dataclass(frozen=True)
class Ability:
    """What a trainer can be set to in one mode, in the plan's units. `least` is what it is let go to."""

    least: float
    most: float
    step: float

    def nearest(self, value: float) -> float:
        """The value itself where it can be set, else the next below it; never below `least`."""
        steps = math.floor((min(value, self.most) - self.least) / self.step + 1e-6)
        return round(self.least + max(steps, 0) * self.step, 3)


def ability_of(mode: Mode, values: Mapping[str, bytes]) -> Ability | str:
    """From what was read of the trainer, by characteristic; in words where it cannot be set like that."""
    try:
        if not FitnessMachineFeature.from_bytes(values.get(FITNESS_MACHINE_FEATURE, b"")).can_set(_BITS[mode]):
            return f"does not offer to be set to a {mode.replace('-', ' ')}"
        if mode == "target-power":
            powers = PowerRange.from_bytes(values.get(SUPPORTED_POWERS, b""))
            return Ability(max(powers.least_w, 0), min(powers.most_w, MOST_RESISTANCE[mode]), max(powers.step_w, 1))
        if mode == "level":
            levels = LevelRange.from_bytes(values.get(SUPPORTED_LEVELS, b""))
            most = min(levels.most_raw / 10, MOST_RESISTANCE[mode])
            return Ability(max(levels.least_raw, 0) / 10, most, max(levels.step_raw, 1) / 10)
    except NotUnderstood as fault:
        return f"does not say properly what it can be set to ({fault.reason})"
    return Ability(0.0, MOST_RESISTANCE[mode], _SLOPE_STEP_PCT)


@dataclass(frozen=True)
class _Load:
    """`value` in one mode of a trainer that can be set like that."""

    mode: Mode
    value: float
    ability: Ability

    @property
    def words(self) -> str:
        return resistance_words(self.mode, self.value)

    def at(self, value: float) -> _Load:
        return _Load(self.mode, value, self.ability)

    @property
    def request(self) -> FitnessMachineRequest:
        make = {
            "level": FitnessMachineRequest.resistance_level,
            "slope": FitnessMachineRequest.slope,
            "target-power": FitnessMachineRequest.target_power,
        }
        return make[self.mode](self.value)


class TrainerResistance:
    """One trainer. What is to be sent comes from `next`, one request at a time; whatever fails lets the load go.

    Times are seconds of any clock that only grows. `question` is what a person is asked to allow just now.
    """

    def __init__(self, trainer: str, tell: Tell) -> None:
        self.question = ""
        self._trainer = trainer
        self._tell = tell
        self._goal: _Load | None = None
        self._allowed = False
        self._held: _Load | None = None  # the most that the trainer may hold: what was sent counts, answered or not
        self._control = self._started = False
        self._left_behind = False  # a load was set on a link that was lost
        self._letting_go: deque[FitnessMachineRequest] = deque()
        self._due_s = -math.inf

    @property
    def busy(self) -> bool:
        """Whether the trainer is, or may be, under a load of ours, or about to be."""
        return self._allowed or self._control or bool(self._letting_go)

    @property
    def letting_go(self) -> bool:
        return bool(self._letting_go)

    # -- what is wished ----------------------------------------------------------------------------------------

    def wish(self, wanted: Resistance, ability: Ability) -> None:
        """A step that asks for a load has begun, or goes on over a new link."""
        value = ability.nearest(wanted.value)
        goal = _Load(wanted.mode, value, ability)
        if self._held is not None and self._held.mode != goal.mode:
            self.let_go("the next step sets it in another way")
        held = None if self._letting_go else self._held
        self._goal, self._allowed, self.question = goal, False, ""
        if held is not None and value <= held.value:
            self._tell("lowering", f"{self._trainer} goes down to {goal.words}, as the plan asks")
            return
        self.question = f"press y on the screen to let {self._trainer} go to {goal.words}"
        self._tell("asked", self.question)

    def allow(self, question: str) -> str:
        """A key was pressed; `question` is what stood before that person."""
        if self._goal is None or not self.question:
            return "nobody asked to raise a trainer's load"
        if question != self.question:
            return f"that is not asked any more; now: {self.question}"
        self.question, self._allowed = "", True
        words = f"{self._trainer} may go to {self._goal.words}"
        self._tell("allowed", f"{words}: allowed by a key")
        return words

    def cannot(self, words: str) -> None:
        """What the step asks for cannot be set on this trainer."""
        self.let_go("it cannot be set as the next step asks")
        self._tell("refused", f"{self._trainer} {words}: no load is set in this step")

    def let_go(self, why: str) -> None:
        """Lower at once, and raise nothing until the next step asks and a key allows it."""
        self._goal, self._allowed, self.question = None, False, ""
        if not self._control or self._letting_go:
            return
        self._letting_go.clear()
        if self._held is not None:
            self._letting_go.append(self._held.at(self._held.ability.least).request)
        self._letting_go += [FitnessMachineRequest.stop(), FitnessMachineRequest(OpCode.RESET)]
        self._tell("released", f"{self._trainer} is let go: {why}")

    # -- the link ----------------------------------------------------------------------------------------------

    def link_lost(self) -> None:
        if self.busy:
            left = f" at up to {self._held.words}" if self._held is not None else ""
            self._tell("lost", f"the link fell while {self._trainer} was set{left}: what it does now is its own")
        self._left_behind = self._left_behind or self._control
        self._goal, self._held, self.question = None, None, ""
        self._allowed = self._control = self._started = False
        self._letting_go.clear()

    def link_back(self) -> None:
        """Only what lowers: control, and the reset."""
        if self._left_behind:
            self._left_behind = False
            self._control = True
            self._letting_go += [
                FitnessMachineRequest(OpCode.REQUEST_CONTROL),
                FitnessMachineRequest(OpCode.RESET),
            ]
            self._tell("released", f"{self._trainer} is let go: it had been set before its link fell")

    # -- what is sent ------------------------------------------------------------------------------------------

    def next(self, now_s: float) -> FitnessMachineRequest | None:
        """What has to be sent now, which counts as sent; None where nothing is due."""
        if self._letting_go:
            return self._letting_go[0]
        goal = self._goal
        if goal is None or now_s < self._due_s or not self._may_go_on(goal):
            return None
        if not self._control:
            self._control = True
            return FitnessMachineRequest(OpCode.REQUEST_CONTROL)
        if not self._started:
            self._started = True
            return FitnessMachineRequest(OpCode.START_OR_RESUME)
        if self._held is not None and self._held.value == goal.value:
            return None
        return self._ramped(goal, now_s).request

    def _may_go_on(self, goal: _Load) -> bool:
        return self._allowed or (self._held is not None and goal.value <= self._held.value)

    def _ramped(self, goal: _Load, now_s: float) -> _Load:
        rate = RATE_PER_S[goal.mode]
        step = max(rate * PERIOD_S, goal.ability.step)
        self._due_s = now_s + max(PERIOD_S, step / rate)
        if self._held is None:
            self._held = goal.at(goal.ability.least)
        elif goal.value > self._held.value:
            self._held = goal.at(goal.ability.nearest(min(self._held.value + step, goal.value)))
        else:
            self._held = goal.at(goal.ability.nearest(max(self._held.value - step, goal.value)))
        return self._held

    def answered(self, request: FitnessMachineRequest, refusal: str) -> None:
        """`refusal` says what went wrong; empty where the trainer has done it."""
        if self._letting_go:
            if request == self._letting_go[0]:
                self._gone_on_letting_go(refusal)
            return
        if refusal and request.op_code != OpCode.START_OR_RESUME:  # one that runs already may say that it fails
            self._tell("refused", f"{self._trainer} was not set: {refusal}")
            if request.op_code == OpCode.REQUEST_CONTROL:
                self._control = False  # nothing was set that could be let go
            self.let_go("it did not take what was asked")
        elif request.op_code in _SETS and self._held is not None and self._held == self._goal:
            self._tell("set", f"{self._trainer} is set to {self._held.words}")
            self._allowed = False

    def _gone_on_letting_go(self, refusal: str) -> None:
        self._letting_go.popleft()
        if self._letting_go:
            return
        self._control = self._started = False
        self._held = None
        if refusal:
            self._tell("refused", unconfirmed(self._trainer, refusal))


def unconfirmed(trainer: str, why: str) -> str:
    return f"{trainer} did not confirm that it was let go ({why}): unclip, and look at the trainer"
