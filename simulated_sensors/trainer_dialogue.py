"""How a simulated trainer behaves when its load is set: who has control, what it holds, what it says of itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from analysis.characteristics.fitness_machine_control_point import (
    FitnessMachineRequest,
    FitnessMachineResponse,
    OpCode,
    Result,
)
from analysis.characteristics.fitness_machine_ranges import (
    LEVEL_BIT,
    POWER_BIT,
    SIMULATION_BIT,
    FitnessMachineFeature,
    LevelRange,
    PowerRange,
)
from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import (
    FITNESS_MACHINE_FEATURE,
    FITNESS_MACHINE_STATUS,
    SUPPORTED_LEVELS,
    SUPPORTED_POWERS,
    TRAINING_STATUS,
)
from simulated_sensors.sensor import Answer, Refusal

TRAINER_VALUES = (FITNESS_MACHINE_FEATURE, TRAINING_STATUS, SUPPORTED_LEVELS, SUPPORTED_POWERS)
_MEASURES = 1 << 14 | 1 << 1  # power and cadence
_PROMPT_S = 0.05
_BUSY = 0xFE
# Status and training status: Fitness Machine Service 1.0, 4.17 and 4.10, from memory; bluetooth-sig agrees.
_IDLE, _POWER_HELD, _BY_HAND = 0x01, 0x0C, 0x0D
_STATUS: dict[int, int] = {
    OpCode.RESET: 0x01,
    OpCode.SET_RESISTANCE_LEVEL: 0x07,
    OpCode.SET_TARGET_POWER: 0x08,
    OpCode.START_OR_RESUME: 0x04,
    OpCode.STOP_OR_PAUSE: 0x02,
    OpCode.SET_BIKE_SIMULATION: 0x12,
}


@dataclass(frozen=True)
class TrainerBehaviour:
    """`manner`: answers, never answers, says that it is busy, or has given control to somebody else."""

    powers: PowerRange = field(default_factory=lambda: PowerRange(25, 1500, 1))
    levels: LevelRange = field(default_factory=lambda: LevelRange(0, 250, 1))
    target_bits: int = 1 << LEVEL_BIT | 1 << POWER_BIT | 1 << SIMULATION_BIT
    manner: Literal["answers", "silent", "busy", "taken"] = "answers"


@dataclass
class TrainerDialogue:
    """`power_w`, `level` and `slope_pct`: what it was last set to, None where it was let go; nobody rides by them."""

    behaviour: TrainerBehaviour
    controlled: bool = False
    power_w: int | None = None
    level: float | None = None
    slope_pct: float | None = None

    def read(self, characteristic: str) -> bytes:
        values: dict[str, Callable[[], bytes]] = {
            FITNESS_MACHINE_FEATURE: lambda: bytes(FitnessMachineFeature(_MEASURES, self.behaviour.target_bits)),
            TRAINING_STATUS: self._training_status,
            SUPPORTED_LEVELS: lambda: bytes(self.behaviour.levels),
            SUPPORTED_POWERS: lambda: bytes(self.behaviour.powers),
        }
        return values[characteristic]()

    def _training_status(self) -> bytes:
        held = _POWER_HELD if self.power_w is not None else _BY_HAND
        return bytes([0, held if self.controlled else _IDLE])

    def respond(self, request: bytes) -> Answer | Refusal | None:
        """As `SimulatedSensor.write`."""
        if self.behaviour.manner == "silent":
            return None
        if self.behaviour.manner == "busy":
            return Refusal(_BUSY)
        try:
            asked = FitnessMachineRequest.from_bytes(request)
        except NotUnderstood:
            return _answer(request[0] if request else 0, Result.INVALID_PARAMETER)
        before = self._training_status()
        result = self._result(asked)
        also = []
        if result == Result.SUCCESS and asked.op_code in _STATUS:
            also.append((FITNESS_MACHINE_STATUS, bytes([_STATUS[asked.op_code]]) + request[1:]))
        if self._training_status() != before:
            also.append((TRAINING_STATUS, self._training_status()))
        return _answer(asked.op_code, result, *also)

    def _result(self, asked: FitnessMachineRequest) -> Result:
        if self.behaviour.manner == "taken":
            return Result.NOT_PERMITTED
        if asked.op_code == OpCode.REQUEST_CONTROL:
            self.controlled = True
            return Result.SUCCESS
        if asked.op_code not in _STATUS:
            return Result.NOT_SUPPORTED
        if not self.controlled:
            return Result.NOT_PERMITTED
        return self._set(asked)

    def _set(self, asked: FitnessMachineRequest) -> Result:
        powers, levels = self.behaviour.powers, self.behaviour.levels
        if asked.power_w is not None and not powers.least_w <= asked.power_w <= powers.most_w:
            return Result.INVALID_PARAMETER
        if asked.level is not None and not levels.least_raw <= asked.level * 10 <= levels.most_raw:
            return Result.INVALID_PARAMETER
        if asked.op_code != OpCode.START_OR_RESUME:  # the newest setting replaces the others
            self.power_w, self.level, self.slope_pct = asked.power_w, asked.level, asked.slope_pct
        if asked.op_code == OpCode.RESET:
            self.controlled = False
        return Result.SUCCESS


def _answer(op_code: int, result: Result, *also: tuple[str, bytes]) -> Answer:
    return Answer(_PROMPT_S, bytes(FitnessMachineResponse(op_code, result)), also)
