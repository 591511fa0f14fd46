"""A ride as it truly is: power, cadence, left share and posture over time, with their exact integrals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simulated_sensors import crank_torque
from simulated_sensors.crank_torque import PostureCodes
from simulated_sensors.seeded_noise import Floats

GRID_HZ = 20  # everything that varies within a turn is a function of the angle, not of this grid


@dataclass(frozen=True)
class Drivetrain:
    """What lies between crank and wheel; `drag_nm` is taken at the crank and does not grow with the load."""

    loss_pct: float = 2.5
    drag_nm: float = 0.0
    gear_ratio: float = 2.8
    wheel_m: float = 2.105


@dataclass(frozen=True)
class Span:
    """One step of the plan as it was ridden."""

    name: str
    kind: str
    posture: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Ride:
    """Arrays hold one value per 1/GRID_HZ s from the start on; power and cadence are means over the turn."""

    power_w: Floats
    cadence_rpm: Floats
    left_share: Floats
    posture: PostureCodes
    spans: tuple[Span, ...]
    drivetrain: Drivetrain

    @property
    def plan_s(self) -> float:
        return self.spans[-1].end_s if self.spans else 0.0

    @property
    def end_s(self) -> float:
        return (self.power_w.size - 1) / GRID_HZ

    @cached_property
    def time_s(self) -> Floats:
        return np.arange(self.power_w.size) / GRID_HZ

    @cached_property
    def _turns(self) -> Floats:
        return _integral(self.cadence_rpm / 60)

    @cached_property
    def _work_j(self) -> Floats:
        return _integral(self.power_w)

    @cached_property
    def _left_work_j(self) -> Floats:
        return _integral(self.power_w * self.left_share)

    def turns(self, at_s: Floats) -> Floats:
        """Crank turns since the start; a whole number is the right crank at the top."""
        return np.interp(at_s, self.time_s, self._turns)

    def work_j(self, at_s: Floats) -> Floats:
        """Work of both legs since the start, without the ripple inside a turn."""
        return np.interp(at_s, self.time_s, self._work_j)

    def left_work_j(self, at_s: Floats) -> Floats:
        return np.interp(at_s, self.time_s, self._left_work_j)

    def behind_chain_work_j(self, at_s: Floats) -> Floats:
        chain = self.drivetrain
        return (1 - chain.loss_pct / 100) * self.work_j(at_s) - 2 * math.pi * chain.drag_nm * self.turns(at_s)

    def ripple_work_j(self, at_s: Floats) -> Floats:
        """What the legs have done inside the present turn beyond (or short of) its even course."""
        torque_nm = crank_torque.mean_torque_nm(self.power_at(at_s), self.cadence_at(at_s))
        angle_rad = 2 * math.pi * self.turns(at_s)
        return crank_torque.ripple_work_j(angle_rad, torque_nm, self.left_share_at(at_s), self.posture_at(at_s))

    def power_at(self, at_s: Floats) -> Floats:
        return np.interp(at_s, self.time_s, self.power_w)

    def cadence_at(self, at_s: Floats) -> Floats:
        return np.interp(at_s, self.time_s, self.cadence_rpm)

    def left_share_at(self, at_s: Floats) -> Floats:
        return np.interp(at_s, self.time_s, self.left_share)

    def posture_at(self, at_s: Floats) -> PostureCodes:
        index = np.clip(at_s * GRID_HZ, 0, self.posture.size - 1).astype(np.int64)
        return self.posture[index]

    def event_times_s(self, phase_turns: float = 0.0, per_turn: float = 1.0) -> Floats:
        """When something fixed to the crank (or geared to it by `per_turn`) passes its mark, in order."""
        turns = per_turn * self._turns
        first = math.ceil(float(turns[0]) - phase_turns)
        count = math.ceil(float(turns[-1]) - phase_turns) - first
        marks: Floats = first + phase_turns + np.arange(max(count, 0), dtype=np.float64)
        return np.interp(marks, turns, self.time_s)

    def mean_power_w(self, start_s: float, end_s: float, *, behind_chain: bool = False) -> float:
        """True mean over [start_s, end_s), at the crank or behind the chain."""
        work = self.behind_chain_work_j if behind_chain else self.work_j
        start_j, end_j = work(np.array([start_s, end_s]))
        return float(end_j - start_j) / (end_s - start_s)


def _integral(rate: Floats) -> Floats:
    sums: Floats = np.cumsum(rate[1:] + rate[:-1])
    return np.concatenate((np.zeros(1), sums / (2 * GRID_HZ)))
