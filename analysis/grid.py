"""Knows how irregular samples become means over equal steps: each value holds until the next, or goes stale."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.samples import Bools, Floats, Ints

HOLD_S = 2.5
HOLD_REVOLUTIONS = 1.5
# Below this cadence nobody pedals: without a bound, 1 rpm would keep a value alive for a minute and a half.
SLOWEST_CADENCE_RPM = 15.0


class Held(NamedTuple):
    """Per interval between edges: the integral of the held value, and the time for which it was fresh."""

    value_ns: Floats  # unit of the value × ns
    fresh_ns: Ints

    def at(self, chosen: Bools) -> Held:
        return Held(self.value_ns[chosen], self.fresh_ns[chosen])


class GridMeans(NamedTuple):
    """Per grid step: time-weighted mean (nan where nothing was fresh) and the share of the step that was fresh."""

    mean: Floats
    fresh_fraction: Floats


def hold_limit_ns(cadence_rpm: ArrayLike) -> Ints:
    """How long a sample may stand for the present: 2.5 s, or 1.5 crank revolutions where these take longer.

    Unknown (nan) or zero cadence gives 2.5 s; the longest limit is that of 15 rpm, 6 s.
    """
    cadence = np.asarray(cadence_rpm, dtype=np.float64)
    known = np.where(cadence > 0, np.maximum(cadence, SLOWEST_CADENCE_RPM), np.inf)
    return np.rint(np.maximum(HOLD_S, HOLD_REVOLUTIONS * 60.0 / known) * 1e9).astype(np.int64)


class HeldSignal:
    """A zero-order-held signal that can be integrated between any two instants in logarithmic time.

    Samples may come in any order; of several at one instant the last given counts. A sample holds until the next
    one, at most for its hold limit. A nan sample ends the hold of its predecessor and holds nothing itself.
    Whole-numbered values below some 800 W × 3 h are integrated without rounding.
    """

    def __init__(self, host_ns: ArrayLike, values: ArrayLike, hold_ns: ArrayLike) -> None:
        """`hold_ns` is one limit, or one per sample. Raises ValueError where the lengths differ."""
        start_ns = np.asarray(host_ns, dtype=np.int64)
        value = np.asarray(values, dtype=np.float64)
        if start_ns.ndim != 1 or start_ns.shape != value.shape:
            raise ValueError(f"{start_ns.size} instants do not go with {value.size} values")
        limit_ns = np.broadcast_to(np.asarray(hold_ns, dtype=np.int64), start_ns.shape)
        if np.any(start_ns[1:] < start_ns[:-1]):
            order = np.argsort(start_ns, kind="stable")
            start_ns, value, limit_ns = start_ns[order], value[order], limit_ns[order]
        lasts_ns = limit_ns.copy()
        lasts_ns[:-1] = np.minimum(limit_ns[:-1], np.diff(start_ns))
        lasts_ns[~np.isfinite(value)] = 0
        self.start_ns = start_ns
        self.stop_ns = start_ns + lasts_ns
        self._value = np.where(np.isfinite(value), value, 0.0)
        self._area_before = np.concatenate(([0.0], np.cumsum(self._value * lasts_ns)))
        self._fresh_before = np.concatenate(([0], np.cumsum(lasts_ns)))
        self._means: dict[tuple[int, int, int], Floats] = {}

    def where(self, holds: Callable[[Floats], Bools]) -> HeldSignal:
        """The same, with nothing held where its value is not one of these."""
        kept = np.where(holds(self._value), self._value, np.nan)
        return HeldSignal(self.start_ns, kept, self.stop_ns - self.start_ns)

    def without(self, spans_ns: Ints) -> HeldSignal:
        """The same, with nothing held in these spans (k, 2), which are apart and in order; as it was behind them."""
        if not len(spans_ns):
            return self
        begin_ns, end_ns = spans_ns[:, 0], spans_ns[:, 1]
        span = np.searchsorted(begin_ns, self.start_ns, side="right") - 1
        keep = (span < 0) | (self.start_ns >= end_ns[np.maximum(span, 0)])
        again, until_ns = self.at(end_ns), self._held_until(end_ns)
        nothing = np.full(len(spans_ns), np.nan)
        return HeldSignal(
            np.concatenate((begin_ns, end_ns, self.start_ns[keep])),
            np.concatenate((nothing, again, self._value[keep])),
            np.concatenate((np.zeros_like(begin_ns), until_ns - end_ns, (self.stop_ns - self.start_ns)[keep])),
        )

    def else_from(self, other: HeldSignal) -> HeldSignal:
        """The same, and where nothing is held what `other` holds."""
        holds = self.stop_ns > self.start_ns
        start_ns, stop_ns, value = self.start_ns[holds], self.stop_ns[holds], self._value[holds]
        begins = np.append(True, start_ns[1:] > stop_ns[:-1])[: start_ns.size]
        ends = np.append(begins[1:], True)[: start_ns.size]
        rest = other.without(np.column_stack((start_ns[begins], stop_ns[ends])))
        return HeldSignal(
            np.concatenate((rest.start_ns, start_ns)),
            np.concatenate((np.where(rest.stop_ns > rest.start_ns, rest._value, np.nan), value)),
            np.concatenate((rest.stop_ns - rest.start_ns, stop_ns - start_ns)),
        )

    def _held_until(self, instant_ns: Ints) -> Ints:
        """When the value that is held at each instant ends; that instant where none is."""
        if self.start_ns.size == 0:
            return instant_ns
        index = np.maximum(np.searchsorted(self.start_ns, instant_ns, side="right") - 1, 0)
        return np.asarray(np.maximum(self.stop_ns[index], instant_ns), np.int64)

    def up_to(self, instant_ns: Ints) -> Held:
        """Integral and fresh time from the beginning of the signal up to each instant."""
        index = np.searchsorted(self.start_ns, instant_ns, side="right") - 1
        if self.start_ns.size == 0:
            return Held(np.zeros(index.shape), np.zeros(index.shape, dtype=np.int64))
        inside = np.maximum(index, 0)
        reached_ns = np.minimum(instant_ns, self.stop_ns[inside]) - self.start_ns[inside]
        reached_ns = np.where(index >= 0, reached_ns, 0)
        area = self._area_before[inside] + self._value[inside] * reached_ns
        return Held(area, self._fresh_before[inside] + reached_ns)

    def edges(self, start_ns: int, stop_ns: int) -> tuple[Ints, Held]:
        """Where samples of [start_ns, stop_ns) and the one before begin, and where they end with a gap behind.

        Beside it what `up_to` gives there, to the last bit, without a search.
        """
        first, beyond = np.searchsorted(self.start_ns, [start_ns, stop_ns])
        near = np.arange(max(int(first) - 1, 0), int(beyond))
        begin_ns, end_ns = self.start_ns[near], self.stop_ns[near]
        # Where a sample lasts until the next, its end is the next one's beginning and need not be told twice.
        into_gaps = np.append(end_ns[:-1] < begin_ns[1:], True)[: near.size]
        reached = np.concatenate((near, near[into_gaps] + 1))
        held = Held(self._area_before[reached], self._fresh_before[reached])
        return np.concatenate((begin_ns, end_ns[into_gaps])), held

    def at(self, instant_ns: ArrayLike) -> Floats:
        """The value that is held at each instant; nan where none is."""
        instant = np.asarray(instant_ns, dtype=np.int64)
        if self.start_ns.size == 0:
            return np.full(instant.shape, np.nan)
        index = np.searchsorted(self.start_ns, instant, side="right") - 1
        inside = np.maximum(index, 0)
        return np.where((index >= 0) & (instant < self.stop_ns[inside]), self._value[inside], np.nan)

    def fresh_means(self, start_ns: int, steps: int, step_ns: int) -> Floats:
        """Means (n,) over equal steps, nan where one is not fresh throughout; kept, since many figures ask for them.

        Not to be written to.
        """
        key = (start_ns, steps, step_ns)
        if key not in self._means:
            part = self.between(start_ns + step_ns * np.arange(steps + 1, dtype=np.int64))
            means = np.where(part.fresh_ns == step_ns, part.value_ns / step_ns, np.nan)
            means.flags.writeable = False
            self._means[key] = means
        return self._means[key]

    def between(self, edges_ns: ArrayLike) -> Held:
        """Integral and fresh time between neighbouring edges, which must not descend."""
        total = self.up_to(np.asarray(edges_ns, dtype=np.int64))
        return Held(np.diff(total.value_ns), np.diff(total.fresh_ns))


def time_weighted_mean(
    host_ns: ArrayLike,
    values: ArrayLike,
    start_ns: int,
    stop_ns: int,
    step_ns: int,
    hold_ns: ArrayLike,
) -> GridMeans:
    """Means over the whole steps in [start_ns, stop_ns); samples from before count while they hold.

    Stale time is a gap: it is left out of the mean, and a step without fresh time is nan.
    """
    if step_ns <= 0:
        raise ValueError(f"a grid step of {step_ns} ns is not a step")
    steps = max((stop_ns - start_ns) // step_ns, 0)
    held = HeldSignal(host_ns, values, hold_ns).between(start_ns + step_ns * np.arange(steps + 1, dtype=np.int64))
    mean = np.full(steps, np.nan)
    np.divide(held.value_ns, held.fresh_ns, out=mean, where=held.fresh_ns > 0)
    return GridMeans(mean, held.fresh_ns / step_ns)
