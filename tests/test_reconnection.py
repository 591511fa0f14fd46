"""The reconnection machine in a world that does whatever it likes, and in a kind one."""

import random
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

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
from recorder.reconnection import Reconnection, State

SENSORS = ("Alder", "Birch", "Cedar")
TIMINGS = Timings()
FRESH = DataAge(0.2, 0.25, False)


class World(RuleBasedStateMachine):
    """Executes the actions as a radio would, and refuses any that a radio could not bear."""

    @initialize(seed=st.integers(0, 2**32))
    def begin(self, seed: int) -> None:
        self.now_s = 1000.0
        self.machine = Reconnection(SENSORS, TIMINGS, random.Random(seed), self.now_s)
        self.scanning = False
        self.service = True
        self.connecting: str | None = None
        self.linked: set[str] = set()
        self.releasing: set[str] = set()
        self.probing: set[str] = set()

    def do(self, actions: Sequence[Action]) -> None:
        for action in actions:
            match action:
                case StartScan():
                    assert not self.scanning
                    assert self.connecting is None
                    self.scanning = True
                case StopScan():
                    assert self.scanning
                    self.scanning = False
                case Connect(sensor):
                    assert self.connecting is None, "two connections at once"
                    assert not self.scanning, "connecting while scanning"
                    assert sensor not in self.linked
                    assert sensor not in self.releasing, "connecting before the clean-up was over"
                    self.connecting = sensor
                case Release(sensor):
                    assert sensor not in self.releasing
                    self.linked.discard(sensor)
                    self.releasing.add(sensor)
                case TellLost(sensor):
                    assert sensor in self.linked
                case Probe(sensor):
                    assert sensor in self.linked
                    self.probing.add(sensor)
                case TellWaiting(_, reason, next_try_s):
                    assert reason
                    assert 0 <= next_try_s <= 36.0
                case TellSilent() | TellRadio():
                    pass
        gone_quietly = {s for s in self.linked if self.machine.state(s) is State.RELEASING}
        assert not gone_quietly, "a link was dropped without its clean-up"

    @rule(
        seconds=st.sampled_from([0.25, 0.25, 1.0, 1.5, 3.0, 40.0, 3600.0]),
        silent_s=st.sampled_from([0.2, 4, 11, 200]),
    )
    def time_passes(self, seconds: float, silent_s: float) -> None:
        self.now_s += seconds
        resting = silent_s == 11
        self.do(self.machine.tick({s: DataAge(silent_s, 0.25, resting) for s in self.linked}, self.now_s))

    @precondition(lambda self: self.scanning)
    @rule(sensor=st.sampled_from(SENSORS), age_s=st.floats(0, 20))
    def advertises(self, sensor: str, age_s: float) -> None:
        if self.machine.state(sensor) is State.SEARCHING:
            self.do(self.machine.seen(sensor, self.now_s - age_s, self.now_s))

    @rule(sensor=st.sampled_from(SENSORS))
    def is_unclear(self, sensor: str) -> None:
        self.do(self.machine.unclear(sensor, "two devices bear this name"))

    @precondition(lambda self: self.connecting is not None)
    @rule(data=st.booleans())
    def connects(self, data: bool) -> None:
        assert self.connecting is not None
        sensor, self.connecting = self.connecting, None
        self.linked.add(sensor)
        self.do(self.machine.link_up(sensor, self.now_s))
        if data and sensor in self.linked:
            self.do(self.machine.first_data(sensor))

    @precondition(lambda self: self.connecting is not None)
    @rule(trouble=st.sampled_from(Trouble))
    def does_not_connect(self, trouble: Trouble) -> None:
        assert self.connecting is not None
        sensor, self.connecting = self.connecting, None
        self.do(self.machine.connect_failed(sensor, trouble, "", self.now_s))

    @rule(sensor=st.sampled_from(SENSORS))
    def link_falls(self, sensor: str) -> None:
        # Also where there is no link: the library calls back more often than it should.
        self.do(self.machine.link_down(sensor, "gone", self.now_s))

    @precondition(lambda self: self.releasing)
    @rule(data=st.data())
    def is_released(self, data: st.DataObject) -> None:
        sensor = data.draw(st.sampled_from(sorted(self.releasing)))
        self.releasing.remove(sensor)
        self.do(self.machine.released(sensor, self.now_s))

    @precondition(lambda self: self.probing)
    @rule(answered=st.booleans())
    def probe_ends(self, answered: bool) -> None:
        sensor = self.probing.pop()
        self.do(self.machine.probe_done(sensor, answered, self.now_s))

    @rule()
    def service_goes(self) -> None:
        self.service = False
        self.do(self.machine.service_down("Bluetooth is switched off", self.now_s))
        assert not self.linked, "every link is lost with the service"

    @rule()
    def service_comes(self) -> None:
        self.service = True
        self.do(self.machine.service_up(self.now_s))

    @precondition(lambda self: self.scanning)
    @rule(works=st.booleans())
    def scan_starts(self, works: bool) -> None:
        if works:
            self.do(self.machine.scan_works())
        else:
            self.scanning = False
            self.do(self.machine.scan_failed("InProgress", self.now_s))

    def teardown(self) -> None:
        """Whatever happened: once the world is kind, every sensor is linked within a minute."""
        if not hasattr(self, "machine"):
            return
        self.service_comes()
        for _ in range(240):
            self.now_s += TIMINGS.tick_s
            for sensor in sorted(self.releasing):
                self.releasing.remove(sensor)
                self.do(self.machine.released(sensor, self.now_s))
            while self.probing:
                self.do(self.machine.probe_done(self.probing.pop(), True, self.now_s))
            if self.connecting is not None:
                self.connects(data=True)
            for sensor in self.machine.searching() if self.scanning else ():
                if self.machine.state(sensor) is State.SEARCHING:
                    self.do(self.machine.seen(sensor, self.now_s, self.now_s))
            self.do(self.machine.tick(dict.fromkeys(self.linked, FRESH), self.now_s))
        assert self.linked == set(SENSORS)


World.TestCase.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
TestWorld = World.TestCase


class Bench:
    """One sensor, fed by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.machine = Reconnection(["Alder"], TIMINGS, random.Random(1), self.now_s)
        self.machine.tick({}, self.now_s)

    def fail(self, trouble: Trouble) -> tuple[TellWaiting, Release]:
        """Bring it to a connection attempt, which fails."""
        for _ in range(400):
            actions = self.tick(FRESH) + self.machine.seen("Alder", self.now_s, self.now_s)
            if any(isinstance(a, Connect) for a in actions):
                waiting, release, *_ = self.machine.connect_failed("Alder", trouble, "", self.now_s)
                assert isinstance(waiting, TellWaiting)
                assert isinstance(release, Release)
                self.machine.released("Alder", self.now_s)
                return waiting, release
        raise AssertionError("no attempt within 100 s")

    def link(self) -> None:
        actions = self.machine.seen("Alder", self.now_s, self.now_s)
        assert any(isinstance(a, Connect) for a in actions)
        self.machine.link_up("Alder", self.now_s)

    def tick(self, age: DataAge) -> list[Action]:
        self.now_s += TIMINGS.tick_s
        return self.machine.tick({"Alder": age}, self.now_s)


def test_backoff_doubles_to_thirty_seconds_with_a_little_jitter_and_stays_there() -> None:
    bench = Bench()
    waits = []
    for _ in range(9):
        started_s = bench.now_s
        waits.append(bench.fail(Trouble.TIMED_OUT)[0].next_try_s)
        assert len(waits) == 1 or bench.now_s - started_s >= waits[-2]
    for wait_s, step_s in zip(waits, [1, 2, 4, 8, 15, 30, 30, 30, 30], strict=True):
        assert step_s <= wait_s <= 1.2 * step_s
    assert all(b > a for a, b in pairwise(waits[:6]))
    assert len(set(waits[5:])) == 4


def test_nobody_scans_when_all_are_linked() -> None:
    bench = Bench()
    bench.link()
    assert not bench.machine.scanning
    assert not any(isinstance(a, StartScan) for _ in range(400) for a in bench.tick(FRESH))


def test_a_first_abort_is_retried_at_once_and_the_next_is_not() -> None:
    bench = Bench()
    assert bench.fail(Trouble.ABORTED)[0].next_try_s == 0
    assert bench.fail(Trouble.ABORTED)[0].next_try_s >= 1
    for _ in range(2):
        bench.fail(Trouble.ABORTED)
    assert "Wi-Fi" in bench.fail(Trouble.ABORTED)[0].reason


def test_busy_three_times_has_the_device_forgotten() -> None:
    bench = Bench()
    assert [bench.fail(Trouble.BUSY)[1].forget for _ in range(6)] == [False, False, True, False, False, True]


def test_unreadable_services_have_the_device_forgotten_at_once() -> None:
    assert Bench().fail(Trouble.UNREADABLE)[1].forget


def test_data_clears_the_backoff_and_a_lost_link_is_looked_for_at_once() -> None:
    bench = Bench()
    for _ in range(4):
        bench.fail(Trouble.TIMED_OUT)
    bench.now_s += 60
    bench.link()
    bench.machine.first_data("Alder")
    lost = bench.machine.link_down("Alder", "gone", bench.now_s)
    assert lost == [TellLost("Alder", "gone"), Release("Alder", False)]
    assert bench.machine.released("Alder", bench.now_s) == [StartScan()]
    assert bench.fail(Trouble.TIMED_OUT)[0].next_try_s <= 1.2


def test_when_the_service_is_back_nobody_waits_for_an_old_backoff() -> None:
    bench = Bench()
    for _ in range(6):
        bench.fail(Trouble.TIMED_OUT)
    bench.machine.service_down("Bluetooth is switched off", bench.now_s)
    assert bench.machine.seen("Alder", bench.now_s, bench.now_s) == []
    assert isinstance(bench.machine.service_up(bench.now_s)[-1], Connect)


def test_a_link_that_falls_before_any_data_counts_as_a_failure() -> None:
    bench = Bench()
    bench.link()
    bench.machine.link_down("Alder", "gone", bench.now_s)
    bench.machine.released("Alder", bench.now_s)
    assert bench.machine.seen("Alder", bench.now_s, bench.now_s) == []
    assert bench.fail(Trouble.TIMED_OUT)[0].next_try_s >= 2


@pytest.mark.parametrize(
    ("interval_s", "silent_at_s", "renew_at_s"), [(0.25, 3.0, 10.0), (1.0, 3.0, 10.0), (2.0, 6.0, 20.0)]
)
def test_silence_is_told_and_then_ends_the_link(interval_s: float, silent_at_s: float, renew_at_s: float) -> None:
    bench = Bench()
    bench.link()
    bench.machine.first_data("Alder")
    told, lost = [], []
    for quarter in range(4 * 25):
        age_s = quarter * TIMINGS.tick_s
        actions = bench.tick(DataAge(age_s, interval_s, False))
        told += [age_s for a in actions if isinstance(a, TellSilent)]
        lost += [age_s for a in actions if isinstance(a, TellLost)]
    assert told == [silent_at_s + TIMINGS.tick_s]
    assert lost == [renew_at_s + TIMINGS.tick_s]


def test_a_resting_sensor_is_asked_first_and_kept_while_it_answers() -> None:
    bench = Bench()
    bench.link()
    bench.machine.first_data("Alder")
    probes = []
    for quarter in range(4 * 60):
        actions = bench.tick(DataAge(quarter * TIMINGS.tick_s, 0.25, True))
        assert not any(isinstance(a, TellLost) for a in actions)
        for _ in (a for a in actions if isinstance(a, Probe)):
            probes.append(bench.now_s)
            bench.machine.probe_done("Alder", True, bench.now_s)
    assert len(probes) == 5
    bench.now_s += TIMINGS.renew_s
    bench.tick(DataAge(70.0, 0.25, True))
    assert Probe("Alder") in bench.tick(DataAge(70.25, 0.25, True))
    assert TellLost("Alder", "no data, and no answer when asked") in bench.machine.probe_done(
        "Alder", False, bench.now_s
    )


def test_after_the_host_stood_still_nobody_is_judged_before_the_packets_are_in() -> None:
    bench = Bench()
    bench.link()
    bench.machine.first_data("Alder")
    bench.now_s += 30
    assert bench.tick(DataAge(30.0, 0.25, False)) == []
    assert bench.tick(FRESH) == []


def test_an_absent_sensor_is_explained_once_and_scanned_for_without_end() -> None:
    bench = Bench()
    told: list[str] = []
    scans = 0
    for _ in range(4 * 3600):
        actions = bench.tick(FRESH)
        told += [a.reason for a in actions if isinstance(a, TellWaiting)]
        scans += sum(isinstance(a, StartScan) for a in actions)
    assert len(told) == 1
    assert all(cause in told[0] for cause in ("asleep", "out of reach", "connected elsewhere"))
    assert scans > 400


def test_scans_pause_the_longer_the_longer_was_searched_while_others_ride() -> None:
    machine = Reconnection(["Alder", "Birch"], TIMINGS, random.Random(1), 0.0)
    machine.seen("Alder", 0.0, 0.0)
    machine.link_up("Alder", 0.0)
    starts, stops = [], []
    for quarter in range(1, 4 * 300):
        now_s = quarter * TIMINGS.tick_s
        actions = machine.tick({"Alder": FRESH}, now_s)
        starts += [now_s for a in actions if isinstance(a, StartScan)]
        stops += [now_s for a in actions if isinstance(a, StopScan)]
    pauses = [start - stop for stop, start in zip(stops, starts, strict=False)]
    assert pauses[0] <= 1.25
    assert pauses == sorted(pauses)
    assert 10.0 <= pauses[-1] <= 10.25


def test_a_scan_that_never_starts_is_told_with_the_command_that_helps() -> None:
    bench = Bench()
    told: list[str] = []
    for _ in range(4 * 60):
        for action in bench.tick(FRESH):
            if isinstance(action, StartScan):
                told += [a.words for a in bench.machine.scan_failed("busy", bench.now_s) if isinstance(a, TellRadio)]
    assert len(told) == 1
    assert "bluetoothctl power off" in told[0]


def test_what_could_not_be_connected_and_then_vanishes_is_said_not_to_advertise_once() -> None:
    bench = Bench()
    bench.fail(Trouble.TIMED_OUT)
    told = [a for _ in range(400) for a in bench.tick(FRESH) if isinstance(a, TellWaiting)]
    assert ["not advertising" in a.reason for a in told] == [True]


def test_what_cannot_be_told_apart_is_not_said_to_be_missing() -> None:
    bench = Bench()
    words = "two devices bear this name"
    told = [
        a
        for _ in range(400)
        for a in (*bench.machine.unclear("Alder", words), *bench.tick(FRESH))
        if isinstance(a, TellWaiting)
    ]
    assert [a.reason for a in told] == [words]
