"""Knows whether sensors agree on the cadence: mean differences of every pair, with intervals, against 1 rpm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analysis.fresh_means import fresh_means
from analysis.grid import HeldSignal
from analysis.mean_interval import prewhitened_interval
from analysis.meter_signal import MeterSignal
from analysis.samples import Floats
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
    """`segment_no` is None for all segments together. Means are over each sensor's own pedalling time."""

    segment_no: int | None
    mean_rpm: Mapping[str, float]
    pairs: tuple[CadencePair, ...]
    why_not: str = ""


def cadence_agreement(
    signals: Mapping[str, MeterSignal], segments: Sequence[Segment], lag_s: Mapping[str, float] | None = None
) -> tuple[CadenceAgreement, ...]:
    """Each segment in the order given, then all of them together. `lag_s` is by meter, 0 where absent.

    Turns that a sensor counts are dated by its own clock: however late its watts are, they stay where they were.
    """
    lags = lag_s or {}
    senders = {name: signal for name, signal in signals.items() if signal.cadence is not None}
    late_s = {name: 0.0 if signal.counts_turns else lags.get(name, 0.0) for name, signal in senders.items()}
    found, joined = [], {name: [np.empty(0)] for name in senders}
    for segment in segments:
        seconds = {
            name: fresh_means(signal.turned, segment.judged_from_ns, segment.stop_ns, lag_s=late_s[name])
            for name, signal in senders.items()
        }
        found.append(_agreement(segment.segment_no, seconds, _means(senders, [segment])))
        for name, cadence in seconds.items():
            # The last second of one segment is no neighbour of the first of the next.
            joined[name] += [cadence, np.array([np.nan])]
    seconds = {name: np.concatenate(parts) for name, parts in joined.items()}
    return *found, _agreement(None, seconds, _means(senders, segments))


def _agreement(
    segment_no: int | None, cadence_rpm: Mapping[str, Floats], mean_rpm: Mapping[str, float]
) -> CadenceAgreement:
    pairs = tuple(_pair(a, b, cadence_rpm[a], cadence_rpm[b]) for a, b in combinations(cadence_rpm, 2))
    why_not = "" if pairs else "fewer than two sensors sent a cadence"
    return CadenceAgreement(segment_no, mean_rpm, pairs, why_not)


def _pair(a: str, b: str, a_rpm: Floats, b_rpm: Floats) -> CadencePair:
    interval = prewhitened_interval(a_rpm - b_rpm)
    if interval.n == 0:
        return CadencePair(a, b, 0, math.nan, math.inf, "undecided", "no second in which both were fresh")
    word: Word = "undecided" if interval.too_short else decide(interval.mean, interval.half_width, TOLERANCE_RPM)
    why_not = f"{interval.n} s in common are too short to tell" if interval.too_short else ""
    return CadencePair(a, b, interval.n, interval.mean, interval.half_width, word, why_not)


def _means(senders: Mapping[str, MeterSignal], segments: Sequence[Segment]) -> dict[str, float]:
    return {name: _mean(signal.pedalled, segments) for name, signal in senders.items()}


def _mean(held: HeldSignal | None, segments: Sequence[Segment]) -> float:
    """As the figures of a segment have it, over all of these together."""
    parts = [held.between([s.judged_from_ns, s.stop_ns]) for s in segments] if held is not None else []
    fresh_ns = sum(int(part.fresh_ns[0]) for part in parts)
    return sum(float(part.value_ns[0]) for part in parts) / fresh_ns if fresh_ns > 0 else math.nan
