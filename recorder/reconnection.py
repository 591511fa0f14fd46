"""When to scan, connect, probe and let go of each sensor: events in, actions out; knows no radio and no clock.

All sensors share one adapter, so one machine decides for all of them: at most one connection is being made at any
time, scanning stops before it, and a lost link is always cleaned up before the next attempt. A sensor that cannot
be reached is tried for as long as the session lasts.

Each public method is one event. It returns what is to be done, in that order; the caller carries all of it out.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum, auto

from recorder.link_actions import (
    Action,
    Connect,
    DataAge,
    Probe,
    Release,
    StartScan,
    StopScan,
    TellLost,
    TellRadio,
    TellSilent,
    TellWaiting,
    Timings,
    Trouble,
)
from recorder.link_words import not_seen_words, scan_stuck_words, trouble_words
from recorder.silence import SilenceWatch, Verdict

_ABORTS_COUNT_S = 120.0


class State(Enum):
    SEARCHING = auto()  # not linked: waits for an advertisement, or for the end of a back-off
    CONNECTING = auto()
    LINKED = auto()
    RELEASING = auto()  # the link is gone or given up; its clean-up runs


@dataclass
class _Sensor:
    silence: SilenceWatch
    search_since_s: float
    state: State = State.SEARCHING
    attempts: int = 0
    failures: int = 0  # in a row; the first data of a link clears them
    troubles: deque[Trouble] = field(default_factory=lambda: deque(maxlen=3))
    aborted_at_s: deque[float] = field(default_factory=lambda: deque(maxlen=8))
    not_before_s: float = float("-inf")
    seen_s: float | None = None
    told: str | None = None
    unclear: bool = False  # something in range may be it, and what it is has been told
    missed: bool = False  # that it is not advertising has been told, since it was sought anew


class Reconnection:
    def __init__(self, sensors: Iterable[str], timings: Timings, rng: random.Random, now_s: float) -> None:
        self._timings = timings
        self._rng = rng
        self._sensors = {name: _Sensor(SilenceWatch(timings), now_s) for name in sensors}
        self._connecting = False
        self._service_up = True
        self._scanning = False
        self._scan_until_s = now_s
        self._next_scan_s = now_s
        self._scan_failures = 0
        self._last_tick_s = now_s

    def state(self, sensor: str) -> State:
        return self._sensors[sensor].state

    @property
    def scanning(self) -> bool:
        """Whether a scan is wanted at this moment; a queued `StartScan` that is no longer wanted may be skipped."""
        return self._scanning

    def searching(self) -> list[str]:
        return [name for name, s in self._sensors.items() if s.state is State.SEARCHING]

    # -- finding and linking -----------------------------------------------------------------------------------

    def seen(self, sensor: str, at_s: float, now_s: float) -> list[Action]:
        self._sensors[sensor].seen_s = at_s
        return self._schedule(now_s)

    def unclear(self, sensor: str, words: str) -> list[Action]:
        """Something in range may be this sensor, and nothing may be recorded under its name until that is settled."""
        s = self._sensors[sensor]
        s.unclear = True
        return self._tell_once(s, sensor, words)

    def link_up(self, sensor: str, now_s: float) -> list[Action]:
        """Connected and subscribed."""
        s = self._sensors[sensor]
        self._connecting = False
        s.state = State.LINKED
        s.silence = SilenceWatch(self._timings)
        s.told = None
        # Where the service went while this link was being made, nothing will ever come through it.
        lost = [] if self._service_up else self._lose(sensor, "the Bluetooth service went away", now_s)
        return lost + self._schedule(now_s)

    def first_data(self, sensor: str) -> list[Action]:
        s = self._sensors[sensor]
        s.silence.had_data = True
        s.failures = 0
        s.troubles.clear()
        return []

    def connect_failed(self, sensor: str, trouble: Trouble, detail: str, now_s: float) -> list[Action]:
        s = self._sensors[sensor]
        self._connecting = False
        s.state = State.RELEASING
        s.seen_s = None
        self._count_failure(s, trouble, now_s)
        stuck = list(s.troubles) == [Trouble.BUSY] * 3
        if stuck:
            s.troubles.clear()
        aborts = sum(now_s - at_s < _ABORTS_COUNT_S for at_s in s.aborted_at_s)
        s.told = trouble_words(trouble, detail, s.failures, aborts, self._links_up())
        waiting = TellWaiting(sensor, s.told, max(0.0, s.not_before_s - now_s), s.failures)
        release = Release(sensor, forget=stuck or trouble is Trouble.UNREADABLE)
        return [waiting, release, *self._schedule(now_s)]

    def link_down(self, sensor: str, reason: str, now_s: float) -> list[Action]:
        return self._lose(sensor, reason, now_s) + self._schedule(now_s)

    def released(self, sensor: str, now_s: float) -> list[Action]:
        """The clean-up asked for by `Release` is over, successful or not."""
        s = self._sensors[sensor]
        if s.state is State.RELEASING:
            s.state = State.SEARCHING
            s.search_since_s = now_s
            s.missed = False
            self._next_scan_s = min(self._next_scan_s, now_s)
        return self._schedule(now_s)

    def _lose(self, sensor: str, reason: str, now_s: float) -> list[Action]:
        s = self._sensors[sensor]
        if s.state is not State.LINKED:
            return []
        s.state = State.RELEASING
        s.seen_s = None
        if s.silence.had_data:
            s.not_before_s = now_s
        else:
            self._count_failure(s, Trouble.DROPPED, now_s)
        return [TellLost(sensor, reason), Release(sensor, forget=False)]

    def _count_failure(self, s: _Sensor, trouble: Trouble, now_s: float) -> None:
        first_abort = trouble is Trouble.ABORTED and not s.troubles
        s.troubles.append(trouble)
        if trouble is Trouble.ABORTED:
            s.aborted_at_s.append(now_s)
        if first_abort:
            # A single abort is ordinary radio noise, and trying again at once mostly works.
            s.not_before_s = now_s
            return
        s.failures += 1
        s.not_before_s = now_s + self._backoff_s(s.failures) * self._rng.uniform(1.0, 1.2)

    def _backoff_s(self, failures: int) -> float:
        steps = self._timings.backoff_s
        return steps[min(failures, len(steps)) - 1]

    def _links_up(self) -> int:
        return sum(s.state is State.LINKED for s in self._sensors.values())

    # -- time passes -------------------------------------------------------------------------------------------

    def tick(self, ages: Mapping[str, DataAge], now_s: float) -> list[Action]:
        """Due every `Timings.tick_s`, with the ages of the linked sensors."""
        stood_still = now_s - self._last_tick_s > self._timings.standstill_s
        self._last_tick_s = now_s
        actions: list[Action] = []
        for name, s in self._sensors.items():
            if s.state is State.SEARCHING:
                actions += self._watch_search(name, s, now_s)
            elif s.state is State.LINKED and name in ages and not stood_still:
                # After a standstill of the host the packets still wait in a socket: judge at the next tick.
                actions += self._watch_data(name, s, ages[name], now_s)
        return actions + self._schedule(now_s)

    def probe_done(self, sensor: str, answered: bool, now_s: float) -> list[Action]:
        self._sensors[sensor].silence.probing = False
        lost = [] if answered else self._lose(sensor, "no data, and no answer when asked", now_s)
        return lost + self._schedule(now_s)

    def _watch_search(self, name: str, s: _Sensor, now_s: float) -> list[Action]:
        searched_s = now_s - max(s.search_since_s, s.not_before_s)
        if (
            s.seen_s is not None
            or s.unclear
            or s.missed
            or not self._service_up
            or searched_s < self._timings.not_seen_s
        ):
            return []
        s.missed = True
        return self._tell_once(s, name, not_seen_words(self._links_up()))

    def _watch_data(self, name: str, s: _Sensor, age: DataAge, now_s: float) -> list[Action]:
        actions: list[Action] = [TellSilent(name, age.silent_s)] if s.silence.tell(age) else []
        verdict = s.silence.judge(age, now_s)
        if verdict is Verdict.PROBE:
            actions.append(Probe(name))
        elif verdict is Verdict.GIVE_UP:
            actions += self._lose(name, f"no data for {age.silent_s:.0f} s", now_s)
        return actions

    def _tell_once(self, s: _Sensor, sensor: str, words: str) -> list[Action]:
        if s.told == words:
            return []
        s.told = words
        return [TellWaiting(sensor, words, self._timings.pause_s, s.failures)]

    # -- the adapter -------------------------------------------------------------------------------------------

    def service_down(self, words: str, now_s: float) -> list[Action]:
        """No service, or the adapter is off: every link is lost at this instant, whatever the system says of it."""
        self._service_up = False
        actions: list[Action] = []
        for name in self._sensors:
            actions += self._lose(name, words, now_s)
        return actions + self._stop_scan(now_s)

    def service_up(self, now_s: float) -> list[Action]:
        self._service_up = True
        self._next_scan_s = now_s
        for s in self._sensors.values():
            s.not_before_s = s.search_since_s = now_s
            s.failures = 0
            s.troubles.clear()
        return self._schedule(now_s)

    def scan_works(self) -> list[Action]:
        self._scan_failures = 0
        return []

    def scan_failed(self, detail: str, now_s: float) -> list[Action]:
        self._scanning = False
        self._scan_failures += 1
        self._next_scan_s = now_s + self._backoff_s(self._scan_failures)
        told = [TellRadio(scan_stuck_words(detail))] if self._scan_failures == 3 else []
        return [*told, *self._schedule(now_s)]

    def _stop_scan(self, next_scan_s: float) -> list[Action]:
        self._next_scan_s = next_scan_s
        if not self._scanning:
            return []
        self._scanning = False
        return [StopScan()]

    def _schedule(self, now_s: float) -> list[Action]:
        if not self._service_up or self._connecting:
            return []
        wanted = {n: s for n, s in self._sensors.items() if s.state is State.SEARCHING and now_s >= s.not_before_s}
        fresh = [n for n, s in wanted.items() if s.seen_s is not None and now_s - s.seen_s < self._timings.fresh_s]
        if fresh:
            # A sensor that keeps failing must not hold up the others.
            return self._connect(min(fresh, key=lambda n: wanted[n].failures), now_s)
        if not wanted:
            return self._stop_scan(now_s)
        if self._scanning and now_s >= self._scan_until_s:
            searched_s = now_s - max(s.search_since_s for s in wanted.values())
            return self._stop_scan(now_s + self._pause_s(searched_s))
        if not self._scanning and now_s >= self._next_scan_s:
            self._scanning = True
            self._scan_until_s = now_s + self._timings.burst_s
            return [StartScan()]
        return []

    def _pause_s(self, searched_s: float) -> float:
        """Between scans, which delay the packets of the linked sensors: short for what was lost just now."""
        longest_s = self._timings.pause_s if self._links_up() else self._timings.short_pause_s
        return min(longest_s, max(self._timings.short_pause_s, searched_s / 10))

    def _connect(self, sensor: str, now_s: float) -> list[Action]:
        s = self._sensors[sensor]
        s.state = State.CONNECTING
        s.attempts += 1
        self._connecting = True
        return [*self._stop_scan(now_s), Connect(sensor, s.attempts)]
