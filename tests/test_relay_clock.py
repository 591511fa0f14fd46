"""A relay's clock on the recorder's: paths with a known offset, and the bounds that hold whatever the path."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.relay_clock import MOST_KEPT, Exchange, RelayClock, exchange_of
from recorder.relay_messages import Answer

MS, S = 10**6, 10**9
ORIGIN_NS = 500_000 * S  # of a machine that runs for some days
BOOT, RECORDER = "0" * 16, "a" * 32
Delay = Callable[[random.Random], float]


@dataclass(frozen=True)
class TruePath:
    """The relay is `ahead_ns` at ORIGIN_NS and runs fast by `drift`; `up` and `down` draw the delays."""

    up: Delay
    down: Delay
    drift: float = 40e-6
    ahead_ns: int = 3 * S

    def relay_ns(self, host_ns: int) -> int:
        return host_ns + self.ahead_ns + round((host_ns - ORIGIN_NS) * self.drift)

    def answer(self, at_ns: int, rng: random.Random) -> tuple[Answer, int]:
        up_ns, down_ns, thinks_ns = round(self.up(rng)), round(self.down(rng)), 100_000
        t2_ns = self.relay_ns(at_ns + up_ns)
        answer = Answer(recorder=RECORDER, boot=BOOT, t1_ns=at_ns, t2_ns=t2_ns, t3_ns=t2_ns + thinks_ns, next=1)
        return answer, at_ns + up_ns + thinks_ns + down_ns

    def exchanges(self, seed: int, times_ns: Iterator[int]) -> Iterator[Exchange]:
        rng = random.Random(seed)
        for at_ns in times_ns:
            exchange = exchange_of(*self.answer(at_ns, rng))
            assert exchange is not None
            yield exchange


def asked_at(seconds: float) -> Iterator[int]:
    """As a recorder asks: ten a second at first, then each second, then each five."""
    at_ns, number = ORIGIN_NS, 0
    while at_ns < ORIGIN_NS + seconds * S:
        yield at_ns
        number += 1
        at_ns += S // 10 if number < 15 else S if number < 75 else 5 * S


def up_to(ms: float) -> Delay:
    return lambda rng: rng.uniform(0, ms * MS)


def errors_ms(path: TruePath, seed: int, seconds: float) -> list[float]:
    """Of stamps made beside each exchange, from when the clock is ready; the stated half-width covers each."""
    clock, found = RelayClock(), []
    for exchange in path.exchanges(seed, asked_at(seconds)):
        assert clock.take(exchange)
        if clock.ready:
            at_ns = exchange.at_ns + 50 * MS
            stamped_ns = clock.host_ns(path.relay_ns(at_ns), at_ns + S)
            found.append(abs(stamped_ns - at_ns) / MS)
            state = clock.state(at_ns)
            assert abs(state.offset_ns - (path.relay_ns(at_ns) - at_ns)) <= state.half_width_ns + 1
    return found


@pytest.mark.parametrize("seed", range(5))
def test_with_20_ms_of_jitter_stamps_are_within_5_ms(seed: int) -> None:
    found = errors_ms(TruePath(up_to(20), up_to(20)), seed, 300)
    assert np.percentile(found, 99) < 5
    assert np.median(found) < 2


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32),
    st.floats(0, 100),
    st.floats(0, 40),
    st.floats(0, 100),
    st.floats(0, 40),
    st.floats(-150e-6, 150e-6),
    st.integers(-(10**14), 10**15),
)
def test_the_half_width_covers_however_unlike_the_two_ways_are(
    seed: int, up_ms: float, up_jitter: float, down_ms: float, down_jitter: float, drift: float, ahead_ns: int
) -> None:
    path = TruePath(
        lambda rng: (up_ms + rng.uniform(0, up_jitter)) * MS,
        lambda rng: (down_ms + rng.uniform(0, down_jitter)) * MS,
        drift,
        ahead_ns,
    )
    found = errors_ms(path, seed, 120)
    # Half of the narrowest round trip is the hard bound of any such exchange (RFC 5905, section 10, and Mills 1991).
    # The millisecond is for 200 ppm of drift until the next exchange.
    assert max(found[20:]) <= (up_ms + up_jitter + down_ms + down_jitter) / 2 + 1


def test_drift_is_found_and_its_bound_covers() -> None:
    path = TruePath(up_to(2), up_to(2), drift=-37e-6)
    clock = RelayClock()
    for exchange in path.exchanges(3, asked_at(900)):
        clock.take(exchange)
    state = clock.state(ORIGIN_NS + 900 * S)
    assert state.drift_ppm == pytest.approx(-37, abs=1)
    assert abs(state.drift_ppm + 37) <= state.drift_half_width_ppm < 10
    assert len(clock._kept) <= MOST_KEPT


def test_the_drift_is_that_of_the_weighted_line_that_numpy_fits() -> None:
    """Over so long a time it is hardly drawn to 0."""
    path = TruePath(up_to(4), up_to(4))
    clock = RelayClock()
    for exchange in path.exchanges(5, asked_at(600)):
        clock.take(exchange)
    kept = clock._kept
    at_s = np.array([(e.at_ns - ORIGIN_NS) / S for e in kept])
    middle_ns = np.array([(e.low_ns + e.high_ns) / 2 - 3 * S for e in kept])
    sd_ns = np.sqrt(np.array([e.width_ns / 2 for e in kept]) ** 2 / 3 + 50_000.0**2)
    slope, _ = np.polyfit(at_s, middle_ns, 1, w=1 / sd_ns)
    assert clock.state(kept[-1].at_ns).drift_ppm == pytest.approx(slope / 1000, abs=0.02)


def test_through_an_outage_the_line_goes_on() -> None:
    path = TruePath(up_to(5), up_to(5))
    clock = RelayClock()
    for exchange in path.exchanges(1, asked_at(200)):
        clock.take(exchange)
    at_ns = ORIGIN_NS + 260 * S
    assert abs(clock.host_ns(path.relay_ns(at_ns), at_ns + S) - at_ns) < 5 * MS
    assert clock.state(at_ns).half_width_ns > clock.state(ORIGIN_NS + 200 * S).half_width_ns


@given(st.lists(st.integers(-5 * S, 5 * S), min_size=2, max_size=40), st.integers(0, 2**32))
def test_stamps_never_go_back_nor_beyond_now(steps: list[int], seed: int) -> None:
    path = TruePath(up_to(30), up_to(30))
    clock, rng, last_ns = RelayClock(), random.Random(seed), 0
    for exchange in path.exchanges(seed, asked_at(2)):
        clock.take(exchange)
    now_ns = ORIGIN_NS + 2 * S
    for step in steps:
        now_ns += S // 4
        exchange_now = exchange_of(*path.answer(now_ns, rng))
        assert exchange_now is not None
        clock.take(exchange_now)
        stamped_ns = clock.host_ns(path.relay_ns(now_ns) + step, now_ns)
        assert last_ns <= stamped_ns <= now_ns
        last_ns = stamped_ns


def test_a_clock_that_steps_is_measured_anew() -> None:
    before = TruePath(up_to(5), up_to(5))
    clock = RelayClock()
    for exchange in before.exchanges(1, asked_at(60)):
        assert clock.take(exchange)
    after = TruePath(up_to(5), up_to(5), ahead_ns=-7 * S)
    at_ns = ORIGIN_NS + 61 * S
    rng = random.Random(1)
    told = []
    for number in range(10):
        found = exchange_of(*after.answer(at_ns + number * S, rng))
        assert found is not None
        told.append(clock.take(found))
    assert told == [False] + 9 * [True]
    assert abs(clock.host_ns(after.relay_ns(at_ns + 10 * S), at_ns + 11 * S) - at_ns - 10 * S) < 5 * MS


@pytest.mark.parametrize(
    ("t1", "t2", "t3", "t4"), [(10, 0, 5, 9), (0, 5, 4, 9), (0, 0, 20, 9)], ids=["back", "answer first", "too long"]
)
def test_stamps_that_contradict_each_other_are_no_exchange(t1: int, t2: int, t3: int, t4: int) -> None:
    assert exchange_of(Answer(recorder=RECORDER, boot=BOOT, t1_ns=t1, t2_ns=t2, t3_ns=t3, next=1), t4) is None
