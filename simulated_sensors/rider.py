"""How a rider follows a plan: targets met smoothly and never quite steadily, and an easy spin once it is over."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np

from analysis.errors import BadInput
from simulated_sensors.crank_torque import POSTURES, SHARE_SHIFT, Posture
from simulated_sensors.ride import GRID_HZ, Drivetrain, Ride, Span
from simulated_sensors.seeded_noise import Floats, generator, wander

AFTER_PLAN_S = 6 * 3600.0  # the easy spin ends here: long enough for every use, short enough to be made in advance

_CHANGE_S = 3.0  # from one target to the next
_SPRINT_RISE_S = 1.5
_SPRINT_SPIN_UP_S = 4.0
_SPRINT_FADE = 0.11  # of the peak, by the end
_OVER_UNDER_PERIOD_S = 60.0
_OVER_UNDER_SWING = 0.15  # of the target, where the plan does not say
_ROLLING_RPM = 40.0  # below it, power and cadence of a sprint rise together, or the torque would be absurd

# What a rider does where a plan leaves it open: watts, rpm.
_OPEN_TARGETS = {
    "warm-up": (120.0, 85.0),
    "sprint": (700.0, 110.0),
    "zero": (0.0, 0.0),
    "rest": (100.0, 80.0),
    "cool-down": (100.0, 80.0),
}
_OPEN_TARGET = (150.0, 88.0)


@dataclass(frozen=True)
class Effort:
    """One stretch of riding. `end_power_w` makes it a ramp, `swing_w` an over-under around `power_w`.

    A sprint has its peak at `power_w`.
    """

    seconds: float
    power_w: float
    cadence_rpm: float
    posture: Posture = "seated"
    kind: str = "steady"
    end_power_w: float | None = None
    swing_w: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Rider:
    """Spreads are standard deviations. The left share holds at 200 W, seated."""

    left_share: float = 0.485
    left_share_per_100w: float = 0.004
    left_share_sd: float = 0.003
    power_slow_pct: float = 1.5
    power_quick_pct: float = 2.0
    cadence_rpm: float = 1.0
    easy_power_w: float = 100.0
    easy_cadence_rpm: float = 80.0


class PlannedStep(Protocol):
    """The part of a plan step that a rider minds; it may also have a `swing_w`, and a `rest_s` between repeats."""

    @property
    def name(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def seconds(self) -> float: ...
    @property
    def target_w(self) -> float | None: ...
    @property
    def cadence_rpm(self) -> float | None: ...
    @property
    def posture(self) -> str | None: ...
    @property
    def repeat(self) -> int: ...


def efforts_from_steps(steps: Iterable[PlannedStep]) -> list[Effort]:
    """Each step as often as it is repeated; kinds without a shape of their own are ridden steadily."""
    efforts: list[Effort] = []
    for step in steps:
        rest_s = float(getattr(step, "rest_s", 0.0))
        rest = [Effort(rest_s, *_OPEN_TARGETS["rest"], kind="rest", name="rest")] if rest_s > 0 else []
        efforts += ([*rest, _effort(step)] * step.repeat)[len(rest) :]
    return efforts


def _effort(step: PlannedStep) -> Effort:
    open_power_w, open_cadence_rpm = _OPEN_TARGETS.get(step.kind, _OPEN_TARGET)
    power_w = open_power_w if step.target_w is None else float(step.target_w)
    swing_w: float | None = getattr(step, "swing_w", None)
    if swing_w is None:
        swing_w = _OVER_UNDER_SWING * power_w
    return Effort(
        seconds=float(step.seconds),
        power_w=0.0 if step.kind == "zero" else power_w,
        cadence_rpm=0.0 if step.kind == "zero" else float(step.cadence_rpm or open_cadence_rpm),
        posture=_posture(step.posture or "seated"),
        kind=step.kind,
        swing_w=swing_w if step.kind == "over-under" else 0.0,
        name=step.name,
    )


def _posture(word: str) -> Posture:
    for posture in POSTURES:
        if posture == word:
            return posture
    raise BadInput(f"Posture {word!r} is not known; choose one of {', '.join(POSTURES)}.")


def ride_efforts(
    efforts: Sequence[Effort],
    *,
    seed: int,
    rider: Rider | None = None,
    drivetrain: Drivetrain | None = None,
    after_plan_s: float = AFTER_PLAN_S,
) -> Ride:
    """Ride the efforts from rest, then spin easily for `after_plan_s`. The same arguments give the same ride."""
    rider = rider or Rider()
    easy = Effort(after_plan_s, rider.easy_power_w, rider.easy_cadence_rpm, kind="after")
    starts_s = np.concatenate(([0.0], np.cumsum([effort.seconds for effort in [*efforts, easy]])))
    target_w, target_rpm, posture = _targets([*efforts, easy], starts_s)
    time_s = np.arange(target_w.size) / GRID_HZ
    slow = wander(generator(seed, "power, slow"), time_s, rider.power_slow_pct / 100, 30.0)
    quick = wander(generator(seed, "power, quick"), time_s, rider.power_quick_pct / 100, 2.0)
    power_w = target_w * np.maximum(1 + slow + quick, 0.0)
    spin = wander(generator(seed, "cadence"), time_s, rider.cadence_rpm / 90, 10.0)
    share = wander(generator(seed, "left share"), time_s, rider.left_share_sd, 30.0)
    share += rider.left_share + SHARE_SHIFT[posture] + rider.left_share_per_100w * (target_w - 200) / 100
    return Ride(
        power_w=power_w,
        cadence_rpm=target_rpm * np.maximum(1 + spin, 0.0),
        left_share=np.clip(share, 0.3, 0.7),
        posture=posture.astype(np.int8),
        spans=tuple(
            Span(effort.name, effort.kind, effort.posture, float(start_s), float(end_s))
            for effort, (start_s, end_s) in zip(efforts, pairwise(starts_s), strict=False)
        ),
        drivetrain=drivetrain or Drivetrain(),
    )


def _targets(efforts: Sequence[Effort], starts_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Target power, target cadence and posture code on the grid; each effort grows out of the end of the last."""
    edges = np.round(starts_s * GRID_HZ).astype(int)
    powers, cadences = [np.zeros(1)], [np.zeros(1)]
    for effort, (first, end) in zip(efforts, pairwise(edges), strict=True):
        since_s = np.arange(1, end - first + 1) / GRID_HZ
        before_w, before_rpm = powers[-1][-1], cadences[-1][-1]
        sprint = effort.kind == "sprint"
        rise_s = _SPRINT_RISE_S if sprint else _CHANGE_S
        spin_up_s = _SPRINT_SPIN_UP_S if sprint and before_rpm > _ROLLING_RPM else rise_s
        powers.append(_grown(before_w, _shape_w(effort, since_s), since_s / rise_s))
        cadences.append(_grown(before_rpm, np.full(since_s.shape, effort.cadence_rpm), since_s / spin_up_s))
    codes = [float(POSTURES.index(effort.posture)) for effort in efforts]
    posture = np.repeat([codes[0], *codes], [1, *np.diff(edges)])
    return np.concatenate(powers), np.concatenate(cadences), posture.astype(np.int64)


def _grown(before: float, after: Floats, progress: Floats) -> Floats:
    x = np.clip(progress, 0.0, 1.0)
    return before + (after - before) * x * x * (3 - 2 * x)


def _shape_w(effort: Effort, since_s: Floats) -> Floats:
    """Target power of an effort ridden alone, at seconds since its start."""
    if effort.kind == "sprint":
        fading_s = max(effort.seconds - _SPRINT_RISE_S, 1e-9)
        return np.asarray(effort.power_w * (1 - _SPRINT_FADE * np.maximum(since_s - _SPRINT_RISE_S, 0) / fading_s))
    end_w = effort.power_w if effort.end_power_w is None else effort.end_power_w
    course = effort.power_w + (end_w - effort.power_w) * since_s / effort.seconds
    # A sine cut off so that each change takes as long as between two steps: over first, then under.
    steep = _OVER_UNDER_PERIOD_S / (math.pi * _CHANGE_S)
    turn = np.sin(2 * math.pi * since_s / _OVER_UNDER_PERIOD_S)
    return np.asarray(course + effort.swing_w * np.clip(steep * turn, -1.0, 1.0))
