"""How the torque of each leg runs over one crank turn, by mean torque, left share and posture.

The angle is 0 with the right crank at the top and grows in the direction of travel; the left crank is half a turn
behind. A leg gives, for the whole mean torque m and its share s,  s * (m * (1 + push * sin) - swing * cos(2 angle)):
the first harmonic is the push down against the weight of the leg coming up and nearly cancels between the legs; the
second is the ripple that both legs share. Both vanish over a turn, so that the mean is m = power / angular velocity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from simulated_sensors.seeded_noise import Floats

Posture = Literal["seated", "standing", "side-to-side"]
POSTURES: tuple[Posture, ...] = get_args(Posture)
PostureCodes = NDArray[np.int8]  # indices into POSTURES

# A straight line through torque ranges over one turn that Rohloff and Greb print in Human Power 55, table 1:
# 100 W at 75 rpm 3.8 to 21.6 N m, 300 W at 75 rpm 8 to 68 N m, 575 W at 50 rpm 20 to 200 N m.
_SWING_PER_MEAN = 0.832
_SWING_AT_REST_NM = -1.70

# From memory, no published source: seated legs press a little against the rise, standing adds body weight to the
# push, and throwing the bike from side to side does so unevenly.
_PUSH = np.array([2.0, 2.4, 2.6])
_SWING_FACTOR = np.array([1.0, 1.06, 1.12])
SHARE_SHIFT = np.array([0.0, 0.004, 0.009])


@dataclass(frozen=True)
class Extremes:
    """Greatest and least torque of both legs together over a turn, and the crank angles where they stand."""

    max_nm: Floats
    min_nm: Floats
    max_deg: Floats
    min_deg: Floats


def mean_torque_nm(power_w: Floats, cadence_rpm: Floats) -> Floats:
    """P = 2 pi tau n / 60; zero where the crank stands."""
    angular = 2 * math.pi / 60 * np.asarray(cadence_rpm, float)
    return np.divide(power_w, angular, out=np.zeros_like(angular), where=angular > 0)


def _swing_nm(mean_nm: Floats, posture: PostureCodes) -> Floats:
    return np.asarray(np.maximum(_SWING_PER_MEAN * mean_nm + _SWING_AT_REST_NM, 0.0) * _SWING_FACTOR[posture])


def _uneven_nm(mean_nm: Floats, left_share: Floats, posture: PostureCodes) -> Floats:
    """What is left of the two legs' first harmonics: it vanishes only for equal legs."""
    return np.asarray((1 - 2 * left_share) * _PUSH[posture] * mean_nm)


def leg_torques_nm(
    angle_rad: Floats, mean_nm: Floats, left_share: Floats, posture: PostureCodes
) -> tuple[Floats, Floats]:
    """Torque of the left and of the right leg at a crank angle."""
    push = _PUSH[posture] * np.sin(angle_rad)
    ripple = _swing_nm(mean_nm, posture) * np.cos(2 * angle_rad)
    left = left_share * (mean_nm * (1 - push) - ripple)
    right = (1 - left_share) * (mean_nm * (1 + push) - ripple)
    return np.asarray(left), np.asarray(right)


def extremes(mean_nm: Floats, left_share: Floats, posture: PostureCodes) -> Extremes:
    """With x = sin(angle) the sum of the legs is the parabola  mean - swing + uneven x + 2 swing x^2."""
    swing = _swing_nm(mean_nm, posture)
    uneven = _uneven_nm(mean_nm, left_share, posture)
    lowest = np.clip(np.divide(-uneven, 4 * swing, out=-np.sign(uneven), where=swing > 0), -1.0, 1.0)
    return Extremes(
        max_nm=np.asarray(mean_nm + swing + np.abs(uneven)),
        min_nm=np.asarray(mean_nm - swing + uneven * lowest + 2 * swing * lowest**2),
        max_deg=np.where(uneven >= 0, 90.0, 270.0),
        min_deg=np.degrees(np.arcsin(lowest)) % 360.0,
    )


def inferred_left_share(left_share: Floats, posture: PostureCodes) -> Floats:
    """What a single unit finds that gives each half turn to the leg going down in it.

    The rising leg works against the turn and is booked to the other leg: any unevenness looks larger than it is.
    """
    return np.asarray(0.5 + 2 / math.pi * _PUSH[posture] * (left_share - 0.5))


def ripple_work_j(angle_rad: Floats, mean_nm: Floats, left_share: Floats, posture: PostureCodes) -> Floats:
    """Work done since the top of the turn beyond what the mean torque would have done by this angle."""
    even = -_swing_nm(mean_nm, posture) / 2 * np.sin(2 * angle_rad)
    return np.asarray(even + _uneven_nm(mean_nm, left_share, posture) * (1 - np.cos(angle_rad)))
