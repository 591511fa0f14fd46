"""Knows whether sensors agree on the cadence: mean differences of every pair, with intervals, against 1 rpm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analysis.fresh_means import Floats, fresh_means
from analysis.mean_interval import prewhitened_interval
from analysis.meter_signal import MeterSignal
from analysis.segments import Segment
from analysis.verdict import Word, decide

TOLERANCE_RPM = 1.0  # common practice, no published source


@dataclass(frozen=True)
class CadencePair:
    """Sensor a minus sensor b over `seconds` in which both were fresh, at 95 %."""

    a: str
    b: str
    seconds: int
    difference_rpm: float
    half_width_rpm: float
    word: Word
    why_not: str = ""


@dataclass(frozen=True)
class CadenceAgreement:
    """`segment_no` is None for all segments together. Means are over each sensor's own fresh seconds."""

    segment_no: int | None
    mean_rpm: Mapping[str, float]
    pairs: tuple[CadencePair, ...]
    why_not: str = ""


def cadence_agreement(
    signals: Mapping[str, MeterSignal], segments: Sequence[Segment], lag_s: Mapping[str, float] | None = None
) -> tuple[CadenceAgreement, ...]:
    """Each segment in the order given, then all of them together. `lag_s` is by meter, 0 where absent."""
    lags = lag_s or {}
    senders = {name: signal for name, signal in signals.items() if signal.cadence is not None}
    found, joined = [], {name: [np.empty(0)] for name in senders}
    for segment in segments:
        seconds = {
            name: fresh_means(signal.cadence, segment.judged_from_ns, segment.stop_ns, lag_s=lags.get(name, 0.0))
            for name, signal in senders.items()
        }
        found.append(_agreement(segment.segment_no, seconds))
        for name, cadence in seconds.items():
            # The last second of one segment is no neighbour of the first of the next.
            joined[name] += [cadence, np.array([np.nan])]
    return *found, _agreement(None, {name: np.concatenate(parts) for name, parts in joined.items()})


def _agreement(segment_no: int | None, cadence_rpm: Mapping[str, Floats]) -> CadenceAgreement:
    pairs = tuple(_pair(a, b, cadence_rpm[a], cadence_rpm[b]) for a, b in combinations(cadence_rpm, 2))
    why_not = "" if pairs else "fewer than two sensors sent a cadence"
    return CadenceAgreement(segment_no, {name: _mean(c) for name, c in cadence_rpm.items()}, pairs, why_not)


def _pair(a: str, b: str, a_rpm: Floats, b_rpm: Floats) -> CadencePair:
    interval = prewhitened_interval(a_rpm - b_rpm)
    if interval.n == 0:
        return CadencePair(a, b, 0, math.nan, math.inf, "undecided", "no second in which both were fresh")
    word: Word = "undecided" if interval.too_short else decide(interval.mean, interval.half_width, TOLERANCE_RPM)
    why_not = f"{interval.n} s in common are too short to tell" if interval.too_short else ""
    return CadencePair(a, b, interval.n, interval.mean, interval.half_width, word, why_not)


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else math.nan
