"""Series for the charts, thinned for display only: each stretch keeps least and greatest value, so no peak goes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.comparison import Setup
from analysis.grid import HeldSignal
from analysis.meter_signal import MeterSignal
from analysis.paired_seconds import RideAgreement, paired_seconds
from analysis.report_page.number_text import number
from analysis.samples import Floats, Ints
from analysis.segments import whole_ride
from analysis.sprints import SprintComparison

MOST_BUCKETS = 11_000
BUCKETS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
# Dots of the agreement plot that fall into one such cell are drawn once.
DOT_MEAN_W, DOT_DIFFERENCE_W = 1.0, 0.2


def bucket_s(end_ns: int) -> float:
    """How long a stretch is drawn as two points; half a second for rides up to an hour and a half."""
    return next((b for b in BUCKETS_S if end_ns / 1e9 / b <= MOST_BUCKETS), end_ns / 1e9 / MOST_BUCKETS)


def held_series(held: HeldSignal, end_ns: int, step_s: float) -> Floats:
    """Two points (2·n,) per step of the held value, least and greatest in the order they came; nan where stale."""
    step_ns = round(step_s * 1e9)
    count = max(-(-end_ns // step_ns), 1)
    instants = np.union1d(held.start_ns[held.start_ns < count * step_ns], step_ns * np.arange(count, dtype=np.int64))
    return least_and_greatest(instants // step_ns, held.at(instants), count)


def least_and_greatest(bucket: Ints, values: Floats, count: int) -> Floats:
    """Per bucket its least and greatest value (2·count,), whichever came first first; `bucket` must not descend."""
    present = np.isfinite(values)
    bucket, values = bucket[present], values[present]
    out = np.full((count, 2), np.nan)
    if not values.size:
        return out.ravel()
    begins = np.flatnonzero(np.concatenate(([True], np.diff(bucket) > 0)))
    least, greatest = np.minimum.reduceat(values, begins), np.maximum.reduceat(values, begins)
    group = np.cumsum(np.concatenate(([0], np.diff(bucket) > 0)))
    order = np.arange(values.size)
    first_least = np.minimum.reduceat(np.where(values == least[group], order, values.size), begins)
    first_greatest = np.minimum.reduceat(np.where(values == greatest[group], order, values.size), begins)
    rising = first_least <= first_greatest
    out[bucket[begins], 0] = np.where(rising, least, greatest)
    out[bucket[begins], 1] = np.where(rising, greatest, least)
    return out.ravel()


def power_chart(signals: Mapping[str, MeterSignal], end_ns: int) -> dict[str, Any]:
    """All meters on one axis of half steps."""
    step_s = bucket_s(end_ns)
    series = {
        name: _json(held_series(s.power, end_ns, step_s), 1) for name, s in signals.items() if s.power is not None
    }
    return {"step_s": step_s / 2, "series": series}


def cadence_chart(signals: Mapping[str, MeterSignal], end_ns: int) -> dict[str, Any]:
    step_s = 2 * bucket_s(end_ns)
    series = {
        name: _json(held_series(s.cadence, end_ns, step_s), 1) for name, s in signals.items() if s.cadence is not None
    }
    return {"step_s": step_s / 2, "series": series}


def difference_chart(
    signals: Mapping[str, MeterSignal], meters: Mapping[str, object], setup: Setup, end_ns: int
) -> dict[str, Any]:
    """Meter minus reference on each compared second, thinned like the rest where the ride is long."""
    step_s = max(bucket_s(end_ns), 1.0)
    series = {}
    for name in meters:
        pair = paired_seconds(signals, name, str(setup.reference), whole_ride(end_ns), setup.lags_s.get(name, 0.0))
        values = pair.difference_w
        if step_s > 1.0:
            bucket = (pair.start_s // step_s).astype(np.int64)
            values = least_and_greatest(bucket, values, int(-(-end_ns // round(step_s * 1e9))))
        series[name] = _json(values, 1)
    return {"step_s": 1.0 if step_s == 1.0 else step_s / 2, "series": series}


def agreement_chart(agreement: RideAgreement) -> dict[str, Any]:
    """Compared seconds as dots in order of their mean, alike ones once, with the lines drawn through them."""
    seconds, limits = agreement.seconds, agreement.limits_w
    both = np.isfinite(seconds.difference_w)
    cells = np.column_stack(
        (np.rint(seconds.mean_w[both] / DOT_MEAN_W), np.rint(seconds.difference_w[both] / DOT_DIFFERENCE_W))
    )
    dots = np.unique(cells, axis=0) if len(cells) else cells
    lines = [] if limits is None else [("mean", limits.bias), ("lower", limits.lower), ("upper", limits.upper)]
    return {
        "mean_w": _json(dots[:, 0] * DOT_MEAN_W, 0),
        "difference_w": _json(dots[:, 1] * DOT_DIFFERENCE_W, 1),
        "limits": [{"label": number(value, "+.1f", "W"), "value": value, "kind": kind} for kind, value in lines],
    }


@dataclass(frozen=True)
class Axes:
    """One pair of axes for all meters, so that their scatter can be compared by eye; (low, high) each."""

    mean_w: tuple[float, float]
    difference_w: tuple[float, float]

    def outside(self, agreement: RideAgreement) -> int:
        """Seconds that these axes do not show; whoever draws must say so."""
        mean_w, difference_w = agreement.seconds.mean_w, agreement.seconds.difference_w
        known = np.isfinite(difference_w)
        within = (mean_w >= self.mean_w[0]) & (mean_w <= self.mean_w[1])
        within &= (difference_w >= self.difference_w[0]) & (difference_w <= self.difference_w[1])
        return int(np.count_nonzero(known & ~within))


def agreement_axes(agreements: Sequence[RideAgreement]) -> Axes:
    """Without the outermost hundredth on either side: a few seconds of changing power would flatten all others."""
    limits = [x for a in agreements if a.limits_w is not None for x in (a.limits_w.lower, a.limits_w.upper)]
    return Axes(
        _ends([a.seconds.mean_w for a in agreements], []),
        _ends([a.seconds.difference_w for a in agreements], limits),
    )


def sprint_charts(comparison: SprintComparison | None) -> list[dict[str, Any]]:
    """Every sprint that was seen, all meters from one time zero."""
    sprints = comparison.sprints if comparison is not None else ()
    return [
        {
            "name": s.name,
            "time_s": s.overlay.time_s.tolist(),
            "power_w": {name: _json(values, 1) for name, values in s.overlay.power_w.items()},
        }
        for s in sprints
        if s.overlay is not None
    ]


def _ends(parts: Sequence[Floats], shown_too: Sequence[float]) -> tuple[float, float]:
    values = np.concatenate(parts) if parts else np.empty(0)
    values = values[np.isfinite(values)]
    if not values.size:
        return 0.0, 1.0
    low, high = np.quantile(values, [0.01, 0.99]).tolist()
    low, high = min([low, *shown_too]), max([high, *shown_too])
    room = max((high - low) * 0.1, 1.0)
    return low - room, high + room


def _json(values: Floats, digits: int) -> list[float | None]:
    """As short as can be: whole numbers without a point, and null for what is not known."""
    rounded = np.round(values, digits)
    return [(int(v) if v.is_integer() else v) if math.isfinite(v) else None for v in rounded.tolist()]
