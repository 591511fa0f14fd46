"""From a relay's clock to the recorder's: exchanges in, offset and drift with their bounds out; reads no clock.

Each question and answer bounds the offset from both sides, whatever the network does: what left before it came cannot
have come before it left. Of each stretch of time the narrowest exchange is kept (as in the clock filter of RFC 5905,
section 10). A straight line through them gives the drift; along it each exchange bounds the offset at any time, and
the middle of what all of them allow is the estimate. So it errs by half of the narrowest round trip at most, and by
what the drift may do meanwhile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from recorder.relay_messages import Answer

HORIZON_NS = 600 * 10**9  # beyond this a crystal's temperature bends the line
MOST_KEPT = 64
FIRST_STRETCH_NS = 10**9
READY_AFTER = 15  # by then the narrowest of them is some three times narrower than the usual
# Crystals are within 100 ppm, mostly 30; what the line may be wrong by over time is at least the second.
USUAL_DRIFT = 50e-6
MOST_DRIFT, LEAST_DRIFT = 200e-6, 2e-6
SLOT_NS = 50_000_000
READING_NS = 50_000.0  # how far a stamp may be from its packet on an idle machine


@dataclass(frozen=True, slots=True)
class Exchange:
    """`low_ns` and `high_ns` bound by how much the relay's clock is ahead of ours, at our `at_ns`."""

    at_ns: int
    low_ns: int
    high_ns: int

    @property
    def width_ns(self) -> int:
        return self.high_ns - self.low_ns


def exchange_of(answer: Answer, t4_ns: int) -> Exchange | None:
    """None where the stamps contradict each other: the relay cannot have had it for longer than it was under way."""
    low_ns, high_ns = answer.t3_ns - t4_ns, answer.t2_ns - answer.t1_ns
    if answer.t3_ns < answer.t2_ns or t4_ns < answer.t1_ns or high_ns < low_ns:
        return None
    # Each bound holds at one end of the exchange; at its middle the drift may have moved it.
    moved_ns = math.ceil(MOST_DRIFT * (t4_ns - answer.t1_ns) / 2) + 1
    return Exchange((answer.t1_ns + t4_ns) // 2, low_ns - moved_ns, high_ns + moved_ns)


@dataclass(frozen=True, slots=True)
class ClockState:
    """At `at_ns` of our clock. The true offset is within `half_width_ns`, if both clocks keep an even pace."""

    at_ns: int
    offset_ns: int
    half_width_ns: int
    drift_ppm: float
    drift_half_width_ppm: float
    narrowest_ns: int
    exchanges: int


@dataclass
class RelayClock:
    """One boot of one relay. Offsets are kept against the first exchange's, so that floats are exact enough."""

    exchanges: int = 0
    _kept: list[Exchange] = field(default_factory=list)
    _stretch_ns: int = FIRST_STRETCH_NS
    _base_ns: int = 0
    _at_ns: int = 0
    _offset_ns: float = 0.0
    _drift: float = 0.0
    _drift_bound: float = MOST_DRIFT
    _last_host_ns: int = 0
    _slots: dict[int, int] = field(default_factory=dict)

    @property
    def ready(self) -> bool:
        return self.exchanges >= READY_AFTER

    def take(self, exchange: Exchange) -> bool:
        """False where it contradicts all before it: one of the clocks has stepped, and all begins anew with it."""
        self.exchanges += 1
        fits = not self._kept or self._fits(exchange)
        if not fits:
            self._kept.clear()
        if not self._kept:
            self._base_ns = (exchange.low_ns + exchange.high_ns) // 2
            self._stretch_ns = FIRST_STRETCH_NS
        self._keep(exchange)
        self._fit()
        self._slots.clear()
        return fits

    def _fits(self, exchange: Exchange) -> bool:
        low_ns, high_ns = self._bounds(exchange.at_ns, MOST_DRIFT, 0.0)
        return exchange.low_ns - self._base_ns <= high_ns and exchange.high_ns - self._base_ns >= low_ns

    def _keep(self, exchange: Exchange) -> None:
        """The narrowest of each stretch; the stretches grow with what is kept."""
        last = self._kept[-1] if self._kept else None
        if last is None or exchange.at_ns // self._stretch_ns != last.at_ns // self._stretch_ns:
            self._kept.append(exchange)
        elif exchange.width_ns <= last.width_ns:
            self._kept[-1] = exchange
        self._kept = [e for e in self._kept if exchange.at_ns - e.at_ns <= HORIZON_NS]
        if len(self._kept) > MOST_KEPT:
            self._stretch_ns *= 2
            stretches: dict[int, Exchange] = {}
            for e in self._kept:
                known = stretches.get(e.at_ns // self._stretch_ns)
                if known is None or e.width_ns <= known.width_ns:
                    stretches[e.at_ns // self._stretch_ns] = e
            self._kept = list(stretches.values())

    def _fit(self) -> None:
        """Weighted least squares of offset and drift, the drift drawn to 0 as 50 ppm are usual."""
        self._at_ns = self._kept[-1].at_ns
        sum_w = sum_wx = sum_wy = sum_wxx = sum_wxy = 0.0
        for e in self._kept:
            weight = 1 / ((e.width_ns / 2) ** 2 / 3 + READING_NS**2)
            x, y = float(e.at_ns - self._at_ns), self._middle_ns(e)
            sum_w += weight
            sum_wx += weight * x
            sum_wy += weight * y
            sum_wxx += weight * x * x
            sum_wxy += weight * x * y
        sum_wxx += USUAL_DRIFT**-2
        determinant = sum_w * sum_wxx - sum_wx**2
        self._offset_ns = (sum_wxx * sum_wy - sum_wx * sum_wxy) / determinant
        self._drift = (sum_w * sum_wxy - sum_wx * sum_wy) / determinant
        self._drift_bound = self._bound_of_drift()

    def _middle_ns(self, e: Exchange) -> float:
        return (e.low_ns + e.high_ns) / 2 - self._base_ns

    def _bound_of_drift(self) -> float:
        """How far the true drift can be from the line's, from every pair of exchanges, at an even pace."""
        least, most = -MOST_DRIFT, MOST_DRIFT
        for i, early in enumerate(self._kept):
            for late in self._kept[i + 1 :]:
                passed_ns = late.at_ns - early.at_ns
                if passed_ns > 0:
                    least = max(least, (late.low_ns - early.high_ns) / passed_ns)
                    most = min(most, (late.high_ns - early.low_ns) / passed_ns)
        bound = max(most - self._drift, self._drift - least)
        return min(max(bound, 0.0), 2 * MOST_DRIFT) + LEAST_DRIFT

    def _bounds(self, at_ns: int, slack: float, drift: float) -> tuple[float, float]:
        """Of the offset, over the base: each exchange's own, widened by what the drift may do until then."""
        low_ns, high_ns = -math.inf, math.inf
        for e in self._kept:
            away_ns = at_ns - e.at_ns
            moved_ns, doubt_ns = drift * away_ns, slack * abs(away_ns)
            low_ns = max(low_ns, e.low_ns - self._base_ns + moved_ns - doubt_ns)
            high_ns = min(high_ns, e.high_ns - self._base_ns + moved_ns + doubt_ns)
        return low_ns, high_ns

    def _offset_at(self, at_ns: int) -> tuple[float, float]:
        """Estimate over the base, and half-width."""
        low_ns, high_ns = self._bounds(at_ns, self._drift_bound, self._drift)
        if low_ns > high_ns:  # the pace was not even: the line stands, and the doubt is how far it is contradicted
            line_ns = self._offset_ns + self._drift * (at_ns - self._at_ns)
            return line_ns, max(abs(line_ns - low_ns), abs(line_ns - high_ns))
        return (low_ns + high_ns) / 2, (high_ns - low_ns) / 2

    def host_ns(self, relay_ns: int, now_ns: int) -> int:
        """On our clock: not after `now_ns`, and never before an earlier one. Needs one exchange at least."""
        host_ns = relay_ns - self._base_ns - round(self._offset_ns)
        for _ in range(2):  # the offset is that of our time, which it gives: drift is so small that two rounds settle
            host_ns = relay_ns - self._base_ns - self._offset_near(host_ns)
        self._last_host_ns = max(self._last_host_ns, min(host_ns, now_ns))
        return self._last_host_ns

    def _offset_near(self, at_ns: int) -> int:
        """Within a slot of time the offset moves by less than a stamp is exact to."""
        slot = at_ns // SLOT_NS
        if slot not in self._slots:
            self._slots[slot] = round(self._offset_at(slot * SLOT_NS + SLOT_NS // 2)[0])
        return self._slots[slot]

    def state(self, at_ns: int) -> ClockState:
        offset_ns, half_width_ns = self._offset_at(at_ns)
        return ClockState(
            at_ns=at_ns,
            offset_ns=self._base_ns + round(offset_ns),
            half_width_ns=math.ceil(half_width_ns),
            drift_ppm=self._drift * 1e6,
            drift_half_width_ppm=self._drift_bound * 1e6,
            narrowest_ns=min((e.width_ns for e in self._kept), default=0),
            exchanges=self.exchanges,
        )
