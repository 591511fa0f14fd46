"""Turns of the crank on the sensor's own clock, put where they happened on the host's; knows counters, no figures."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.grid import HeldSignal
from analysis.power_figures import AT_REST_RPM
from analysis.samples import Floats, Ints, Series

CRANK_TICKS_PER_S = 1024  # of 2a63 and 2a5b alike
# Messages arrive late by up to one interval; the promptest of those near by tells how late each event is dated.
NEAR_NS = 5_000_000_000
# More turns than that are not certain within `NEAR_NS`: the decoder believes four a second at most.
_MOST_NEAR = 40
_SLOWEST_RPM = 1e-3  # one turn in 16 hours: what is below is no cadence but damage

_HALF_NS_PER_TICK = 1_953_125  # 1/1024 s = 976,562.5 ns: all is counted in half nanoseconds, without rounding


class CrankTurns:
    """Each turn of which count and time are certain: the cadence from one event to the next, on the host's clock.

    `pedalled` holds turns at 15 rpm or more; a slower one spans a coast, and only `counted` holds it. What a lost or
    late message leaves uncertain is a gap. An event is dated by its own clock and the least delay seen within 5 s of
    it, so that a mean weighs turns by event time, and a segment that begins or ends within a turn takes its share.
    """

    def __init__(self, packets: Mapping[str, Series]) -> None:
        """`packets`: crank_revolutions as received and cadence_rpm as decoded (nan where none is certain)."""
        start_ns, lasts_ns, rpm = _turns(packets) if packets else (_NO_NS, _NO_NS, np.empty(0))
        self.counted = HeldSignal(start_ns, rpm, lasts_ns)
        self.pedalled = HeldSignal(start_ns, np.where(rpm < AT_REST_RPM, np.nan, rpm), lasts_ns)


_NO_NS = np.empty(0, np.int64)


def _turns(packets: Mapping[str, Series]) -> tuple[Ints, Ints, Floats]:
    """Begin, length and cadence (n,) of every certain turn, or of the several that one message tells of."""
    counts, rate = packets["crank_revolutions"], packets["cadence_rpm"].values
    known = np.where(np.abs(counts.values) < 1 << 32, counts.values, 0.0)  # a damaged file may hold anything
    moved = np.mod(np.diff(known, prepend=known[:1]), 1 << 16)
    # The first message tells of no turn, but its event may be the one that the next is measured from.
    told = np.flatnonzero((moved > 0) | (np.arange(len(moved)) == 0))
    arrived_ns, turns, rpm = counts.host_ns[told], moved[told], rate[told]
    ticks = _elapsed_ticks(turns, rpm)
    certain = ticks > 0
    passed = ticks * _HALF_NS_PER_TICK
    happened_ns = _happened_ns(arrived_ns, passed, np.cumsum(~certain))
    from_ns = np.concatenate((happened_ns[:1], happened_ns[:-1]))
    return from_ns[certain], (happened_ns - from_ns)[certain], rpm[certain]


def _elapsed_ticks(turns: Floats, rpm: Floats) -> Ints:
    """Event time that a decoded rate was made from, exact; 0 where there is none.

    The decoder gives `60 · turns / elapsed` with the message that tells of a turn, across wraps of the event time,
    and no rate where the elapsed time is not certain.
    """
    known = (turns > 0) & (rpm > _SLOWEST_RPM)
    ticks = np.divide(60.0 * CRANK_TICKS_PER_S * turns, rpm, out=np.zeros(len(turns)), where=known)
    whole = np.rint(ticks)
    # A rate that is not made of ticks is none of the counter's.
    return np.where(np.abs(ticks - whole) < 1e-3, whole, 0).astype(np.int64)


def _happened_ns(arrived_ns: Ints, passed: Ints, stretch: Ints) -> Ints:
    """When each event was, by the host's clock: its own time, and the least delay of those near by in its stretch."""
    own = np.cumsum(passed)
    delay = 2 * arrived_ns - own
    least = delay.copy()
    for apart in range(1, min(len(delay), _MOST_NEAR)):
        near = (arrived_ns[apart:] - arrived_ns[:-apart] <= NEAR_NS) & (stretch[apart:] == stretch[:-apart])
        if not near.any():
            break
        np.minimum(least[:-apart], delay[apart:], out=least[:-apart], where=near)
        np.minimum(least[apart:], delay[:-apart], out=least[apart:], where=near)
    return np.maximum.accumulate((own + least) // 2) if len(own) else own
