"""The plan file: what the rider is asked to do, step after step; each step becomes a segment."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

import msgspec
from msgspec import Meta

from analysis.errors import BadPlanFile
from analysis.safe_text import safe_text
from analysis.toml_file import TomlTable, convert_table, parse_toml, read_toml

StepKind = Literal["warm-up", "zero", "steady", "over-under", "sprint", "sway", "free", "cool-down"]
Posture = Literal["seated", "standing", "side-to-side"]

Name = Annotated[str, Meta(min_length=1, max_length=48)]
Seconds = Annotated[float, Meta(gt=0, le=6 * 3600)]


class Resistance(TomlTable, frozen=True, kw_only=True):
    """What the trainer shall be set to in a step: its own level, % of slope, or W that it holds by itself."""

    mode: Literal["level", "slope", "target-power"]
    value: Annotated[float, Meta(ge=0)]

    @property
    def words(self) -> str:
        return resistance_words(self.mode, self.value)


def resistance_words(mode: str, value: float) -> str:
    """`250 W` and the like."""
    return {"level": f"level {value:g}", "slope": f"{value:g} % slope"}.get(mode, f"{value:g} W")


# A level is sent as one byte of tenths. Slopes below 0 are left out: letting go of one would raise the load.
MOST_RESISTANCE = {"level": 25.0, "slope": 15.0, "target-power": 1000.0}


class PlanStep(TomlTable, frozen=True, kw_only=True):
    """One step. `settle_s` at its start is left out of the segment's figures."""

    name: Name
    kind: StepKind
    seconds: Seconds
    target_w: Annotated[float, Meta(ge=0, le=3000)] | None = None
    swing_w: Annotated[float, Meta(ge=0, le=1000)] | None = None
    cadence_rpm: Annotated[float, Meta(ge=0, le=250)] | None = None
    posture: Posture = "seated"
    settle_s: Annotated[float, Meta(ge=0, le=600)] = 0.0
    repeat: Annotated[int, Meta(ge=1, le=50)] = 1
    rest_s: Annotated[float, Meta(ge=0, le=3600)] = 0.0
    until: Literal["decided"] | None = None
    resistance: Resistance | None = None


class _PlanTable(TomlTable, frozen=True, kw_only=True):
    name: Name


class Plan(TomlTable, frozen=True, kw_only=True):
    """A whole plan file; `step` is named as in the file."""

    plan: _PlanTable
    step: tuple[PlanStep, ...]

    def as_dict(self) -> dict[str, Any]:
        built: dict[str, Any] = msgspec.to_builtins(self)
        return built

    @property
    def seconds(self) -> float:
        return sum(turn.rest_s + turn.step.seconds for turn in self.turns())

    def turns(self) -> Iterator[Turn]:
        """Every repeat of every step in riding order; the rest before a repeat comes with it."""
        for number, step in enumerate(self.step, 1):
            for repeat_no in range(1, step.repeat + 1):
                yield Turn(f"step-{number}", repeat_no, step, step.rest_s if repeat_no > 1 else 0.0)


class Turn(NamedTuple):
    """One riding of a step; `rest_s` of easy spinning precedes it and belongs to no segment."""

    step_id: str
    repeat_no: int
    step: PlanStep
    rest_s: float


def read_plan(path: Path) -> Plan:
    """:raises BadPlanFile: one sentence with file, place and remedy."""
    table, text = read_toml(path, BadPlanFile)
    return _checked(convert_table(table, Plan, str(path), text, BadPlanFile), str(path))


def parse_plan(data: bytes, name: str = "plan file") -> Plan:
    """As `read_plan`, from bytes in memory."""
    table, text = parse_toml(data, name, BadPlanFile)
    return _checked(convert_table(table, Plan, name, text, BadPlanFile), name)


def plan_from_dict(table: dict[str, Any], name: str = "plan in the recording") -> Plan:
    try:
        return _checked(msgspec.convert(table, Plan, strict=False), name)
    except msgspec.ValidationError as fault:
        raise BadPlanFile(f"{name}: {safe_text(str(fault), 200)}.") from fault


def _checked(plan: Plan, name: str) -> Plan:
    shown = safe_text(name, 200)
    if not plan.step:
        raise BadPlanFile(f"{shown}: it has no [[step]].")
    for number, step in enumerate(plan.step, 1):
        where = f"{shown}: step {number} ({safe_text(step.name)})"
        if safe_text(step.name) != step.name:
            raise BadPlanFile(f"{where}: the name has characters that cannot be shown.")
        if step.settle_s >= step.seconds:
            raise BadPlanFile(f"{where}: settle_s {step.settle_s:g} leaves nothing of its {step.seconds:g} s.")
        if step.kind in ("steady", "over-under", "sprint") and step.target_w is None:
            raise BadPlanFile(f"{where}: a {step.kind} step needs target_w.")
        if step.until is not None and step.kind != "steady":
            raise BadPlanFile(f'{where}: until = "decided" is for steady steps only.')
        _check_resistance(step.resistance, where)
    return plan


def _check_resistance(resistance: Resistance | None, where: str) -> None:
    if resistance is not None and resistance.value > (most := MOST_RESISTANCE[resistance.mode]):
        shown = resistance_words(resistance.mode, most)
        raise BadPlanFile(f"{where}: resistance is at most {shown}, not {resistance.words}.")
