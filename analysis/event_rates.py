"""Counted revolutions with event times that wrap, turned into a rate where it is certain and into none where not."""

from __future__ import annotations

import math

import msgspec

# Radio and computer may hold a message back; two messages are trusted to differ by no more than this. It also covers
# the clocks drifting apart over a standstill: 0.7 s after two hours of 100 ppm.
DELAY_S = 1.5
# How old the event in the first message of a link may be (20 rpm). What cannot be ruled out: it is older by whole
# wraps and pedalling sets in within this time of the link; then the first rate is too high.
FIRST_EVENT_AGE_S = 3.0
# Messages closer together than this were held up and let go together, so they may all date from before the hold-up.
BURST_S = 0.1
STOP_S = 2.0
STOP_PERIODS = 1.5
UNKNOWN_PERIOD_S = 2.0
# A long silence says nothing about the usual interval between messages.
LONGEST_INTERVAL_S = 2.0

_TICKS_PER_WRAP = 1 << 16
_NS_PER_S = 1_000_000_000


class RateUpdate(msgspec.Struct, frozen=True):
    """What one message adds. `rate_rpm` is None where there is none, and `why` then gives the reason.

    `total_event_s` is the sensor's own time since the first event of the piece; pieces cannot be joined.
    """

    rate_rpm: float | None
    revolutions_delta: int
    event_delta_s: float
    total_event_s: float
    piece: int
    why: str | None = None


class _Base(msgspec.Struct, frozen=True):
    """The event that the next one is measured from."""

    revolutions: int
    ticks: int
    arrived_ns: int  # of the first message that told of it
    not_before_ns: int  # it happened after this arrival, give or take DELAY_S

    is_first: bool  # of its piece: it may have happened long before anybody listened

    def is_dated(self, host_ns: int) -> bool:
        """Whether the time since it can be told from its ticks.

        A sensor that was just switched on sends zeros until the first revolution, which is no event at all.
        """
        listened_s = (host_ns - self.arrived_ns) / _NS_PER_S
        return (self.revolutions, self.ticks) != (0, 0) and not (self.is_first and listened_s > FIRST_EVENT_AGE_S)


class EventRate:
    """One counter of one sensor. Messages are given in order of arrival, `restart` is called for a new link.

    The call matters: a sensor that restarts from a low count within a silence can look as if it had gone on.
    """

    def __init__(self, ticks_per_s: int, revolution_bits: int = 16, max_revs_per_s: float = 4.0) -> None:
        self._ticks_per_s = ticks_per_s
        self._wrap_s = _TICKS_PER_WRAP / ticks_per_s
        self._revolution_wrap = 1 << revolution_bits
        # By the standard a crank counter only grows; a wheel, counted in 32 bits, may roll back.
        self._may_count_back = revolution_bits == 32
        self._max_revs_per_s = max_revs_per_s
        self._base: _Base | None = None
        self._arrived_ns = 0
        self._quiet_ns = 0  # arrival before the burst that the last message came in
        self._interval_s = 1.0
        self._rate_rpm: float | None = None
        self._total_ticks = 0
        self._piece = -1

    def restart(self) -> None:
        """The next message is a base only."""
        self._base = None

    def update(self, host_ns: int, revolutions: int, event_ticks: int) -> RateUpdate:
        base = self._base
        if base is None:
            return self._begin(host_ns, revolutions, event_ticks, "first message")
        gap_s = (host_ns - self._arrived_ns) / _NS_PER_S
        if not 0 <= gap_s <= self._wrap_s:
            return self._begin(host_ns, revolutions, event_ticks, "too long without a message")
        return self._compare(base, host_ns, revolutions, event_ticks)

    def _compare(self, base: _Base, host_ns: int, revolutions: int, event_ticks: int) -> RateUpdate:
        count = (revolutions - base.revolutions) % self._revolution_wrap
        ticks = (event_ticks - base.ticks) % _TICKS_PER_WRAP
        if count == 0 and ticks == 0:
            self._note_arrival(host_ns)
            return self._answer(host_ns)
        if not base.is_dated(host_ns):
            self._note_arrival(host_ns)
            return self._rebase(host_ns, revolutions, event_ticks, "first revolution")
        elapsed_ticks = self._elapsed_ticks(base, host_ns, ticks)
        if elapsed_ticks is None:
            return self._begin(host_ns, revolutions, event_ticks, "event time does not fit the arrival")
        self._note_arrival(host_ns)
        if count == 0:
            # Some sensors send the time of the message in place of the event's: no revolution, no new event.
            return self._answer(host_ns)
        return self._moved(host_ns, revolutions, event_ticks, count, elapsed_ticks)

    def _moved(self, host_ns: int, revolutions: int, ticks: int, count: int, elapsed_ticks: int) -> RateUpdate:
        if elapsed_ticks == 0:
            self.restart()
            return self._answer(host_ns, "the count moved, the event time did not")
        elapsed_s = elapsed_ticks / self._ticks_per_s
        if count <= self._max_revs_per_s * elapsed_s:
            self._rate_rpm = 60 * count / elapsed_s
            return self._rebase(host_ns, revolutions, ticks, None, count, elapsed_ticks)
        back = self._revolution_wrap - count
        if self._may_count_back and back <= self._max_revs_per_s * elapsed_s:
            self._rate_rpm = None
            return self._rebase(host_ns, revolutions, ticks, "counted backwards", -back, elapsed_ticks)
        return self._begin(host_ns, revolutions, ticks, "more revolutions than possible")

    def _elapsed_ticks(self, base: _Base, host_ns: int, ticks: int) -> int | None:
        """Ticks between the base and the present event; None where arrival fits no number of wraps, or several.

        The event came after the last message was put together, for that one did not know of it yet, and before this
        one was; the base likewise, between the message before the one that told of it and that one.
        """
        least_s = (self._quiet_ns - base.arrived_ns) / _NS_PER_S - DELAY_S
        most_s = (host_ns - base.not_before_ns) / _NS_PER_S + DELAY_S
        passed_s = ticks / self._ticks_per_s
        fewest = max(0, math.ceil((least_s - passed_s) / self._wrap_s))
        return ticks + fewest * _TICKS_PER_WRAP if fewest == math.floor((most_s - passed_s) / self._wrap_s) else None

    def _note_arrival(self, host_ns: int) -> None:
        gap_s = (host_ns - self._arrived_ns) / _NS_PER_S
        if gap_s >= BURST_S:
            self._quiet_ns = self._arrived_ns
        self._interval_s += (min(gap_s, LONGEST_INTERVAL_S) - self._interval_s) / 8
        self._arrived_ns = host_ns

    def _begin(self, host_ns: int, revolutions: int, ticks: int, why: str) -> RateUpdate:
        self._piece += 1
        self._total_ticks = 0
        self._rate_rpm = None
        self._arrived_ns = host_ns
        self._quiet_ns = host_ns - round(FIRST_EVENT_AGE_S * _NS_PER_S)
        self._base = _Base(revolutions, ticks, host_ns, self._quiet_ns, True)
        return self._answer(host_ns, why)

    def _rebase(
        self, host_ns: int, revolutions: int, ticks: int, why: str | None, count: int = 0, elapsed_ticks: int = 0
    ) -> RateUpdate:
        self._base = _Base(revolutions, ticks, host_ns, self._quiet_ns, False)
        self._total_ticks += elapsed_ticks
        return self._answer(host_ns, why, count, elapsed_ticks)

    def _answer(self, host_ns: int, why: str | None = None, count: int = 0, elapsed_ticks: int = 0) -> RateUpdate:
        rate_rpm = None if why else self._rate_now(host_ns)
        held_up = host_ns - self._quiet_ns > LONGEST_INTERVAL_S * _NS_PER_S
        if why is None and held_up and rate_rpm != self._rate_now(self._quiet_ns):
            rate_rpm, why = None, "the message may have been held up since the one before"
        elif why is None and rate_rpm is None:
            why = "no second revolution yet"
        event_s, total_s = elapsed_ticks / self._ticks_per_s, self._total_ticks / self._ticks_per_s
        return RateUpdate(rate_rpm, count, event_s, total_s, self._piece, why)

    def _rate_now(self, told_ns: int) -> float | None:
        """The last rate, lowered as time passes without an event, and 0 once it must have stopped."""
        if self._base is None:
            return None
        age_s = (told_ns - self._base.arrived_ns) / _NS_PER_S
        period_s = 60 / self._rate_rpm if self._rate_rpm else UNKNOWN_PERIOD_S
        if age_s > max(STOP_S, STOP_PERIODS * period_s + self._interval_s):
            return 0.0
        if self._rate_rpm is None:
            return None
        return min(self._rate_rpm, 60 / age_s) if age_s > 0 else self._rate_rpm


def torque_power_w(delta_raw_torque_32nds: int, delta_ticks: int, ticks_per_s: int) -> float:
    """Mean power over an event interval, P = 2π·ΔT/Δt, from accumulated torque in 1/32 N·m.

    Arithmetic: the sensor adds the mean torque of each revolution, and a revolution is 2π rad. The sum wraps at 16
    bits and may fall, so its difference is read as signed. Raises ValueError where no time has passed.
    """
    if delta_ticks <= 0:
        raise ValueError(f"power over {delta_ticks} ticks is not defined")
    torque_nm = ((delta_raw_torque_32nds + 0x8000) % 0x10000 - 0x8000) / 32
    return 2 * math.pi * torque_nm * ticks_per_s / delta_ticks
