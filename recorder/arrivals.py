"""How the payloads of one link arrive: usual interval, age of the last, bursts held up by the radio; pure."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

from analysis.characteristics.not_understood import NotUnderstood
from analysis.characteristics.registry import decode_fields
from recorder.link_actions import DataAge

# The first tells most about whether somebody pedals. Others, such as a battery level, come only now and then.
MEASURING = ("2a63", "2a5b", "2ad2", "2a6e")
_REST_NS = 2_000_000_000
_PUSHING_W = 20  # a meter whose zero has drifted shows some watts at rest


@dataclass(frozen=True, slots=True)
class Burst:
    """`count` payloads that came together after a pause; `span_s` from the last one before them to their last."""

    count: int
    span_s: float


class Arrivals:
    """One per link. All times are nanoseconds of the host clock."""

    def __init__(self, since_ns: int) -> None:
        self._rank = len(MEASURING)
        self._last_ns = since_ns
        self._last_payloads: deque[tuple[int, bytes]] = deque(maxlen=32)
        self._gaps_ns: deque[int] = deque(maxlen=32)
        self._median_ns = 0
        self._run_from_ns = 0
        self._run = 0  # payloads of the burst that may be going on

    def note(self, characteristic: str, payload: bytes, now_ns: int) -> Burst | None:
        """One arrival; returns a burst when this payload shows that it is over."""
        if characteristic not in MEASURING or MEASURING.index(characteristic) > self._rank:
            return None
        first = MEASURING.index(characteristic) < self._rank
        if first:
            self._rank = MEASURING.index(characteristic)
            self._gaps_ns.clear()
            self._last_payloads.clear()
        gap_ns, self._last_ns, before_ns = now_ns - self._last_ns, now_ns, self._last_ns
        self._last_payloads.append((now_ns, payload))
        return None if first else self._watch_gap(gap_ns, before_ns)

    def _watch_gap(self, gap_ns: int, before_ns: int) -> Burst | None:
        known = len(self._gaps_ns) >= 4
        if known and gap_ns < self._median_ns / 4:
            self._run += self._run > 0
            return None
        finished = None
        if self._run >= 3:
            finished = Burst(self._run, (before_ns - self._run_from_ns) / 1e9)
        # Only a pause before them tells packets held up from packets that always come in pairs.
        self._run, self._run_from_ns = (1, before_ns) if known and gap_ns > 2 * self._median_ns else (0, 0)
        self._gaps_ns.append(gap_ns)
        self._median_ns = int(median(self._gaps_ns))
        return finished

    def age(self, now_ns: int, rest_after_s: float) -> DataAge:
        """Since the last measurement, or since the link was made; `resting` is looked at after `rest_after_s`."""
        silent_s = (now_ns - self._last_ns) / 1e9
        interval_s = self._median_ns / 1e9 if self._gaps_ns else None
        return DataAge(silent_s, interval_s, silent_s > rest_after_s and self._resting())

    def _resting(self) -> bool:
        if not self._last_payloads:
            return False
        characteristic = MEASURING[self._rank]
        if characteristic == "2a6e":
            return True  # a thermometer may speak only when the temperature changes
        last_ns = self._last_payloads[-1][0]
        try:
            recent = [decode_fields(characteristic, p) for ns, p in self._last_payloads if last_ns - ns <= _REST_NS]
        except NotUnderstood:
            return False
        last = recent[-1]
        if "cadence_rpm" in last:
            return last["cadence_rpm"] == 0
        if "crank_revolutions" in last and len(recent) > 1:
            # Shortly after the link was made a turn may not be over yet: who pushes is not at rest.
            still = all(f.get("crank_revolutions") == last["crank_revolutions"] for f in recent)
            return still and float(last.get("power_w", 0)) < _PUSHING_W
        return last.get("power_w") == 0
