"""Which stretches of an unmarked ride are worth judging: steady ones, surges and sprints, proposed to a person."""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from analysis.clock_alignment_track import Track, each_second
from analysis.samples import Floats

STEADY_LEAST_S = 60
STEADY_MEAN_S = 30  # what is steady is the mean over so long; no rider holds single seconds
STEADY_BAND, STEADY_BAND_W = 0.10, 10.0  # either side of the middle
KNOWN_SHARE = 0.8
FREEWHEELING_W = 10.0
SURGE_MEAN_S = 3
SURGE_LEAST_S, SURGE_MOST_S = 4, 60
SURGE_RISE, SURGE_RISE_W = 0.5, 100.0
BEFORE_S = 60  # whose median is what a surge rises from
MARGIN_S = 2  # left on either side of a surge
APART_S = 15  # between two surges, for meters that smooth; of closer ones the greater stays
# A restless ride has hundreds. These many are a day's reading for a person: the longest and the strongest.
MOST_STEADY, MOST_SURGES = 20, 20
SPRINT_W, SPRINT_RISE = 400.0, 2.0


@dataclass(frozen=True)
class ProposedSegment:
    """`[start_s, stop_s)` of the track's own clock; `kind` is a step kind of a plan."""

    name: str
    kind: str
    start_s: float
    stop_s: float
    words: str


def propose(track: Track) -> tuple[ProposedSegment, ...]:
    """In order of time, without overlap. Holes and missing seconds are in no steady stretch for more than a fifth."""
    power_w = each_second(track, track.power_w)
    if not np.isfinite(power_w).any():
        return ()
    start_s = float(track.time_s[0])
    surges = _strongest(_surges(power_w))
    calm_w = power_w.copy()
    for surge in surges:
        calm_w[surge.first : surge.stop] = np.nan
    longest = sorted(_steady(calm_w), key=lambda s: s.first - s.stop)[:MOST_STEADY]
    found = [*surges, *longest]
    named: Counter[str] = Counter()
    proposals = []
    for stretch in sorted(found, key=lambda s: s.first):
        named[stretch.name] += 1
        number = named[stretch.name]
        name = (
            f"{stretch.name} {number}" if stretch.numbered else stretch.name + (f" #{number}" if number > 1 else "")
        )
        # A record holds the mean of the second before it.
        bounds_s = (start_s + stretch.first - 1, start_s + stretch.stop - 1)
        proposals.append(ProposedSegment(name, stretch.kind, *bounds_s, stretch.words))
    return tuple(proposals)


@dataclass(frozen=True)
class _Stretch:
    """Seconds `first` to `stop` of the grid, half open."""

    name: str
    numbered: bool
    kind: str
    first: int
    stop: int
    words: str
    strength: float = 0.0


def _strongest(surges: Iterable[_Stretch]) -> list[_Stretch]:
    kept: list[_Stretch] = []
    for surge in sorted(surges, key=lambda s: -s.strength):
        if len(kept) < MOST_SURGES and all(
            surge.first >= other.stop + APART_S or other.first >= surge.stop + APART_S for other in kept
        ):
            kept.append(surge)
    return kept


def _steady(power_w: Floats) -> Iterator[_Stretch]:
    means = _moving_mean(power_w, STEADY_MEAN_S)
    pedalling = _moving_mean(np.where(np.isfinite(power_w), power_w >= FREEWHEELING_W, np.nan) * 1.0, STEADY_MEAN_S)
    level = np.where(pedalling > 1 - 4 / STEADY_MEAN_S, means, np.nan)
    waiting = [(0, level.size)]
    while waiting:
        low, high = waiting.pop()
        first, stop = _longest(level[low:high])
        if stop - first < STEADY_LEAST_S:
            continue
        first, stop = first + low, stop + low
        waiting += [(low, first), (stop, high)]
        mean_w = float(np.nanmean(power_w[first:stop]))
        off_pct = 100 * float(np.max(np.abs(level[first:stop] / mean_w - 1)))
        words = f"{stop - first} s at {mean_w:.0f} W, its {STEADY_MEAN_S} s means within {off_pct:.0f} % of that"
        yield _Stretch(f"steady {round(mean_w, -1):.0f}", False, "steady", first, stop, words)


def _longest(level: Floats) -> tuple[int, int]:
    """The longest run without nan whose greatest and least values lie within the band; half open."""
    best, first = (0, 0), 0
    most: deque[int] = deque()
    least: deque[int] = deque()
    values = level.tolist()
    for i, value in enumerate(values):
        if math.isnan(value):
            most.clear()
            least.clear()
            first = i + 1
            continue
        while most and values[most[-1]] <= value:
            most.pop()
        while least and values[least[-1]] >= value:
            least.pop()
        most.append(i)
        least.append(i)
        while not _within(values[least[0]], values[most[0]]):
            first += 1
            if most[0] < first:
                most.popleft()
            if least[0] < first:
                least.popleft()
        if i + 1 - first > best[1] - best[0]:
            best = first, i + 1
    return best


def _within(least_w: float, most_w: float) -> bool:
    return most_w - least_w <= 2 * max(STEADY_BAND * (most_w + least_w) / 2, STEADY_BAND_W)


def _surges(power_w: Floats) -> Iterator[_Stretch]:
    """Short rises well above the minute before and above what is usual in the ride, that fall again."""
    level = np.nan_to_num(_moving_mean(power_w, SURGE_MEAN_S), nan=0.0)
    ridden = power_w[np.isfinite(power_w) & (power_w >= FREEWHEELING_W)]
    usual_w = float(np.median(ridden)) if ridden.size else 0.0
    over = np.flatnonzero(level >= max(usual_w * (1 + SURGE_RISE), usual_w + SURGE_RISE_W))
    clear_from = 0
    for at in over.tolist():
        if at < clear_from:
            continue
        before = power_w[max(at - BEFORE_S - SURGE_MEAN_S, 0) : max(at - SURGE_MEAN_S, 0)]
        known = before[np.isfinite(before)]
        base_w = max(float(np.median(known)) if known.size else 0.0, usual_w)
        if level[at] < max(base_w * (1 + SURGE_RISE), base_w + SURGE_RISE_W):
            continue
        peak_w = float(level[at : at + SURGE_LEAST_S + 1].max())
        first = stop = at
        while stop < level.size and level[stop] >= (base_w + peak_w) / 2:
            peak_w = max(peak_w, float(level[stop]))
            stop += 1
        while first > clear_from and level[first - 1] >= (base_w + peak_w) / 2:
            first -= 1
        clear_from = stop
        if not SURGE_LEAST_S <= stop - first <= SURGE_MOST_S or not np.isfinite(power_w[first:stop]).all():
            continue
        sprint = peak_w >= max(SPRINT_W, SPRINT_RISE * base_w)
        words = f"{stop - first} s up to {peak_w:.0f} W, from {base_w:.0f} W"
        bounds = (max(first - MARGIN_S, 0), min(stop + MARGIN_S, level.size))
        yield _Stretch(
            "sprint" if sprint else "surge", True, "sprint" if sprint else "free", *bounds, words, peak_w - base_w
        )


def _moving_mean(values: Floats, seconds: int) -> Floats:
    """Centred, of what is known; nan where less than `KNOWN_SHARE` is."""
    known = np.isfinite(values)
    ones = np.ones(min(seconds, values.size))
    count = np.convolve(known, ones, "same")
    total = np.convolve(np.where(known, values, 0.0), ones, "same")
    return np.where(count >= KNOWN_SHARE * seconds, total / np.maximum(count, 1), np.nan)
