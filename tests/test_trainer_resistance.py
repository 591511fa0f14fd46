"""The trainer's load: never raised without a key, ramped, let go at every doubt; policy, radio and whole rides."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import parse_bench
from analysis.characteristics.fitness_machine_control_point import FitnessMachineRequest, OpCode
from analysis.characteristics.fitness_machine_ranges import FitnessMachineFeature, LevelRange, PowerRange
from analysis.errors import BadPlanFile
from analysis.plan_file import Plan, Resistance
from analysis.rows import Event, Row
from analysis.segments import Segment, SetResistance, segments_from_events
from analysis.sprints import HELD, SprintTerms, compare_sprints
from recorder.bluetooth_source import BluetoothSource
from recorder.compose import RecordJob, Surroundings, record, targets_of
from recorder.control_client import ControlClient
from recorder.control_words import Ask, Tell
from recorder.plan_runner import PlanState
from recorder.recording_run import Summary
from recorder.recording_session import RecordingSession
from recorder.resistance_driver import ResistanceDriver
from recorder.storage import SystemStorage
from recorder.trainer_resistance import PERIOD_S, RATE_PER_S, Ability, Mode, TrainerResistance, ability_of
from simulated_sensors.meter_faults import DropOut
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.quayside import CEDAR
from simulated_sensors.rider import Effort, ride_efforts
from simulated_sensors.sensor_spec import SensorSpec
from simulated_sensors.simulated_meter import SimulatedMeter
from simulated_sensors.trainer_dialogue import TrainerBehaviour
from simulated_sensors.virtual_time import run_virtual
from tests.riding import FakeLog, FakeSource, LoopClock, plan_of, table_of
from tests.simulated_rides import segment, sending

POWER = Ability(25.0, 1000.0, 1.0)
STOP, RESET = FitnessMachineRequest.stop(), FitnessMachineRequest(OpCode.RESET)
SAFE = FitnessMachineRequest.target_power(25)


def held(power_w: float) -> Resistance:
    return Resistance(mode="target-power", value=power_w)


# -- the policy ------------------------------------------------------------------------------------------------


@dataclass
class Bench:
    """The policy with a clock; keeps what it sends and says."""

    now_s: float = 0.0
    sent: list[tuple[float, FitnessMachineRequest]] = field(default_factory=list)
    told: list[tuple[str, str]] = field(default_factory=list)
    refusal: Callable[[FitnessMachineRequest], str] = lambda request: ""

    def __post_init__(self) -> None:
        self.policy = TrainerResistance("Cedar", lambda state, words: self.told.append((state, words)))

    def go_on(self, seconds: float) -> None:
        until_s = self.now_s + seconds
        while self.now_s < until_s - 1e-9:
            while (request := self.policy.next(self.now_s)) is not None:
                self.sent.append((self.now_s, request))
                self.policy.answered(request, self.refusal(request))
            self.now_s += 0.25

    def press(self) -> None:
        self.policy.allow(self.policy.question)

    @property
    def powers(self) -> list[int]:
        return [request.power_w for _, request in self.sent if request.power_w is not None]

    @property
    def states(self) -> list[str]:
        return [state for state, _ in self.told]


def at(power_w: float) -> Bench:
    """A trainer that was taken to so many W."""
    bench = Bench()
    bench.policy.wish(held(power_w), POWER)
    bench.press()
    bench.go_on(300)
    assert bench.powers[-1] == power_w
    bench.sent.clear()
    bench.told.clear()
    return bench


def test_nothing_at_all_is_sent_before_a_key_is_pressed() -> None:
    bench = Bench()
    bench.policy.wish(held(250), POWER)
    bench.go_on(600)
    assert bench.sent == []
    assert bench.policy.question == "press y on the screen to let Cedar go to 250 W"
    assert bench.told == [("asked", bench.policy.question)]


def test_a_key_lets_the_load_rise_from_the_least_by_five_watts_a_second() -> None:
    bench = Bench()
    bench.policy.wish(held(60), POWER)
    bench.press()
    bench.go_on(60)
    assert [r.op_code for _, r in bench.sent[:2]] == [OpCode.REQUEST_CONTROL, OpCode.START_OR_RESUME]
    assert bench.powers == [25, 30, 35, 40, 45, 50, 55, 60]
    times_s = [at_s for at_s, r in bench.sent if r.power_w is not None]
    assert all(later - before >= 1.0 for before, later in pairwise(times_s))
    assert bench.states == ["asked", "allowed", "set"]
    assert bench.told[-1][1] == "Cedar is set to 60 W"


def test_a_key_pressed_for_another_question_raises_nothing() -> None:
    bench = Bench()
    bench.policy.wish(held(150), POWER)
    old = bench.policy.question
    bench.policy.wish(held(300), POWER)
    assert "not asked any more" in bench.policy.allow(old)
    bench.go_on(60)
    assert bench.sent == []
    assert "go to 300 W" in bench.policy.question


def test_a_key_that_nobody_asked_for_does_nothing() -> None:
    bench = at(100)
    assert bench.policy.allow("") == "nobody asked to raise a trainer's load"
    bench.go_on(10)
    assert bench.sent == []


def test_a_higher_step_keeps_the_old_load_until_the_key_and_a_lower_one_needs_none() -> None:
    bench = at(100)
    bench.policy.wish(held(120), POWER)
    bench.go_on(60)
    assert bench.sent == []
    bench.policy.wish(held(90), POWER)
    bench.go_on(60)
    assert bench.powers == [95, 90]
    assert bench.states == ["asked", "lowering", "set"]
    # What a key once allowed is not allowed again: back up is a raise.
    bench.policy.wish(held(100), POWER)
    bench.go_on(60)
    assert bench.powers == [95, 90]
    assert bench.policy.question


def test_a_next_step_within_a_rise_stops_it_until_a_new_key() -> None:
    bench = Bench()
    bench.policy.wish(held(300), POWER)
    bench.press()
    bench.go_on(10)
    reached = bench.powers[-1]
    bench.policy.wish(held(400), POWER)
    bench.go_on(60)
    assert bench.powers[-1] == reached < 100


def test_letting_go_lowers_at_once_and_gives_control_back() -> None:
    bench = at(200)
    bench.policy.let_go("next was pressed")
    bench.go_on(1)
    assert [r for _, r in bench.sent] == [SAFE, STOP, RESET]
    assert {at_s for at_s, _ in bench.sent} == {bench.sent[0][0]}
    assert bench.told == [("released", "Cedar is let go: next was pressed")]
    assert not bench.policy.busy


def test_letting_go_cuts_a_rise_short() -> None:
    bench = Bench()
    bench.policy.wish(held(300), POWER)
    bench.press()
    bench.go_on(10)
    highest = max(bench.powers)
    bench.policy.let_go("a key was pressed")
    bench.go_on(60)
    assert bench.powers[-1] == 25
    assert max(bench.powers) == highest < 100


def test_where_a_step_follows_a_release_at_once_the_key_is_needed_again() -> None:
    bench = at(200)
    bench.policy.let_go("the step asks for no load")
    bench.policy.wish(held(150), POWER)  # before the release has gone out
    bench.go_on(60)
    assert [r for _, r in bench.sent] == [SAFE, STOP, RESET]
    assert "150 W" in bench.policy.question


def test_another_mode_begins_from_its_own_least_value() -> None:
    bench = at(200)
    bench.policy.wish(Resistance(mode="slope", value=1.0), Ability(0.0, 15.0, 0.1))
    bench.press()
    bench.go_on(20)
    assert [r for _, r in bench.sent[:3]] == [SAFE, STOP, RESET]
    assert [r.slope_pct for _, r in bench.sent if r.slope_pct is not None] == [0.0, 0.5, 1.0]


def test_after_a_lost_link_nothing_is_set_until_asked_again_and_it_is_let_go_when_it_is_back() -> None:
    bench = at(200)
    bench.policy.link_lost()
    bench.go_on(30)
    assert bench.sent == []
    bench.policy.link_back()
    bench.go_on(1)
    assert [r for _, r in bench.sent] == [FitnessMachineRequest(OpCode.REQUEST_CONTROL), RESET]
    bench.policy.wish(held(200), POWER)
    bench.go_on(60)
    assert len(bench.sent) == 2
    bench.press()
    bench.go_on(60)
    assert bench.powers[:2] == [25, 30]
    assert bench.states[:4] == ["lost", "released", "asked", "allowed"]


def test_a_link_that_comes_back_where_nothing_was_set_is_left_alone() -> None:
    bench = Bench()
    bench.policy.link_lost()
    bench.policy.link_back()
    bench.go_on(10)
    assert (bench.sent, bench.told) == ([], [])


def test_what_the_trainer_refuses_lets_the_load_go() -> None:
    bench = Bench(refusal=lambda request: "no" if request.power_w == 40 else "")
    bench.policy.wish(held(100), POWER)
    bench.press()
    bench.go_on(60)
    assert bench.powers == [25, 30, 35, 40, 25]
    assert [r for _, r in bench.sent[-2:]] == [STOP, RESET]
    assert bench.states == ["asked", "allowed", "refused", "released"]


def test_a_release_that_is_not_confirmed_is_said_as_a_warning() -> None:
    bench = at(200)
    bench.refusal = lambda request: "it did not answer within 3 s"
    bench.policy.let_go("the recording ends")
    bench.go_on(1)
    assert [r for _, r in bench.sent] == [SAFE, STOP, RESET]
    assert bench.told[-1][0] == "refused"
    assert "unclip" in bench.told[-1][1]


def test_where_control_is_not_given_nothing_else_is_sent() -> None:
    bench = Bench(refusal=lambda request: "no")
    bench.policy.wish(held(200), POWER)
    bench.press()
    bench.go_on(60)
    assert [r.op_code for _, r in bench.sent] == [OpCode.REQUEST_CONTROL]


Doing = tuple[str, float]
doings = st.lists(
    st.tuples(st.sampled_from(["wish", "key", "let_go", "lost", "back", "wait", "refuse"]), st.floats(0, 60)),
    max_size=30,
)
ABILITIES: dict[Mode, Ability] = {"target-power": POWER, "level": Ability(0, 25, 0.1), "slope": Ability(0, 15, 0.1)}


@given(doings, st.sampled_from(sorted(ABILITIES)))
def test_whatever_happens_no_load_rises_without_a_key_or_faster_than_allowed(
    doings: Sequence[Doing], mode: Mode
) -> None:
    """Only a key allows a raise, up to what was asked; each new wish and each letting go takes that back."""
    ability = ABILITIES[mode]
    bench, allowed, last = Bench(), -math.inf, ability.least
    for what, number in doings:
        before = len(bench.sent)
        if what == "wish":
            bench.policy.wish(Resistance(mode=mode, value=number), ability)
            allowed = -math.inf
        elif what == "key" and bench.policy.question:
            bench.press()
            allowed = _asked(bench)
        elif what == "let_go":
            bench.policy.let_go("a test")
            allowed = -math.inf
        elif what in ("lost", "back"):
            getattr(bench.policy, f"link_{what}")()
            allowed, last = (-math.inf, ability.least) if what == "lost" else (allowed, last)
        bench.refusal = (lambda request: "no") if what == "refuse" else (lambda request: "")
        bench.go_on(number)
        for _, request in bench.sent[before:]:
            value = {"target-power": request.power_w, "level": request.level, "slope": request.slope_pct}[mode]
            if value is not None:
                assert value <= max(last, allowed)
                assert value - last <= RATE_PER_S[mode] * PERIOD_S + 1e-9
                last = value


def _asked(bench: Bench) -> float:
    """What the newest question was about, from its words."""
    words = next(words for state, words in reversed(bench.told) if state == "asked")
    return float(words.rpartition(" go to ")[2].replace("level ", "").split()[0])


# -- what a trainer can do --------------------------------------------------------------------------------------

CAN = {"2acc": bytes(FitnessMachineFeature(0, 0b10000000001100)), "2ad8": bytes(PowerRange(0, 800, 10))}


def test_abilities_come_from_what_the_trainer_says() -> None:
    assert ability_of("target-power", CAN) == Ability(0, 800, 10)
    assert ability_of("slope", CAN) == Ability(0, 15, 0.1)
    levels = {**CAN, "2ad6": bytes(LevelRange(-10, 1000, 5))}
    assert ability_of("level", levels) == Ability(0, 25, 0.5)


@pytest.mark.parametrize(
    ("mode", "values", "words"),
    [
        ("level", {"2acc": bytes(8)}, "does not offer"),
        ("target-power", {}, "does not say properly"),
        ("target-power", {"2acc": CAN["2acc"]}, "does not say properly"),
        ("level", {**CAN, "2ad6": b"\x00\x0a\x01"}, "does not say properly"),
    ],
)
def test_what_it_does_not_say_is_not_guessed(mode: Mode, values: dict[str, bytes], words: str) -> None:
    found = ability_of(mode, values)
    assert isinstance(found, str)
    assert words in found


def test_coarse_steps_of_a_trainer_rise_no_faster() -> None:
    bench = Bench()
    bench.policy.wish(held(58), Ability(0, 800, 10))
    bench.press()
    bench.go_on(60)
    assert bench.powers == [0, 10, 20, 30, 40, 50]  # never above what was asked
    times_s = [at_s for at_s, r in bench.sent if r.power_w is not None]
    assert all(later - before >= 2.0 for before, later in pairwise(times_s))


# -- the plan ---------------------------------------------------------------------------------------------------

STEADY = 'name = "held"\nkind = "free"\nseconds = 120\nresistance = { mode = "target-power", value = 60 }'
EASY = 'name = "easy"\nkind = "free"\nseconds = 20'


def test_a_plan_says_what_the_trainer_shall_be_set_to() -> None:
    (step,) = plan_of(STEADY).step
    assert step.resistance is not None
    assert step.resistance.words == "60 W"


@pytest.mark.parametrize(
    "resistance",
    [
        '{ mode = "target-power", value = 1001 }',
        '{ mode = "slope", value = -3 }',
        '{ mode = "slope", value = 16 }',
        '{ mode = "level", value = 26 }',
        '{ mode = "gear", value = 3 }',
        '{ mode = "slope" }',
    ],
)
def test_a_load_out_of_reason_is_refused_with_its_place(resistance: str) -> None:
    with pytest.raises(BadPlanFile, match="resistance"):
        plan_of(f'name = "x"\nkind = "free"\nseconds = 20\nresistance = {resistance}')


# -- on the simulated radio -------------------------------------------------------------------------------------

TRAINER = """
[bench]
name = "Quayside bench"

[[meter]]
name = "Cedar"
unit = "cedar-1"
place = "trainer"
claim_pct = 1.0
address = "F0:00:00:00:00:03"
"""


@dataclass
class Riding:
    """One trainer on the simulated radio, and the driver before it; `screen` tells whether somebody is there."""

    sensor: SimulatedMeter
    source: BluetoothSource
    driver: ResistanceDriver
    log: FakeLog
    said: list[str]
    screen: bool = True

    def begin(self, step: str | None, began_at_s: float) -> None:
        turn = next(plan_of(step).turns()) if step is not None else None
        self.driver.on_plan(PlanState(turn, None, math.inf, began_at_s=began_at_s, number=0 if turn else None))

    async def press(self) -> None:
        await until(lambda: bool(self.driver.question))
        self.driver.allow(self.driver.question)

    @property
    def written(self) -> list[str]:
        return [payload_of(row).hex() for row in self.log.payload_rows if row.row_kind == "write"]

    def states(self) -> list[str]:
        return [str(row.detail["state"]) for row in self.log.events(Event.RESISTANCE)]


def payload_of(row: Row) -> bytes:
    assert row.payload is not None
    return row.payload


async def until(true: Callable[[], bool]) -> None:
    """Polled on virtual time; the test's own time limit ends what never comes."""
    async with asyncio.timeout(600):
        while not true():
            await asyncio.sleep(0.1)


@asynccontextmanager
async def on_the_radio(spec: SensorSpec = CEDAR) -> AsyncIterator[Riding]:
    ride = ride_efforts([Effort(600.0, 200.0, 90.0)], seed=1)
    sensor = SimulatedMeter(spec, ride, 1)
    log, said = FakeLog(), list[str]()
    clock = LoopClock()
    async with SimulatedRadio([sensor], seed=1, supervision_s=2.0) as radio:
        radio.begin_ride()
        source = BluetoothSource(targets_of(parse_bench(TRAINER.encode())), clock, radio.backend, seed=1)
        onlookers: list[Any] = []
        session = RecordingSession(clock, log, ["Cedar"], onlookers)
        driver = ResistanceDriver("Cedar", source, session, said.append)
        onlookers.append(driver)
        riding = Riding(sensor, source, driver, log, said)
        driver.answerer_there = lambda: riding.screen
        listening = asyncio.create_task(source.run(session))
        driver.start()
        await until(lambda: "Cedar" in source.live())
        yield riding
        await driver.end("the test ends")
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        await source.close()


def test_a_step_sets_the_trainer_and_all_that_was_sent_and_answered_is_a_row() -> None:
    async def main() -> None:
        async with on_the_radio() as riding:
            riding.begin(STEADY, 1.0)
            await riding.press()
            await until(lambda: riding.sensor.trainer.power_w == 60)
            await asyncio.sleep(2.0)
            assert riding.written == ["00", "07", *(f"05{w:02x}00" for w in range(25, 61, 5))]
            answered = [payload_of(r).hex() for r in riding.log.payload_rows if r.row_kind == "indication"]
            assert answered == [f"80{request[:2]}01" for request in riding.written]
            kept = {row.characteristic for row in riding.log.payload_rows}
            assert {"2acc", "2ad3", "2ad6", "2ad8", "2ad9", "2ada"} <= kept
            riding.begin(None, 121.0)
            await until(lambda: riding.sensor.trainer.power_w is None)
            await until(lambda: not riding.sensor.trainer.controlled)
            assert riding.written[-3:] == ["051900", "0801", "01"]
            assert riding.states() == ["asked", "allowed", "set", "released"]
            assert riding.said == [str(row.detail["words"]) for row in riding.log.events(Event.RESISTANCE)]

    run_virtual(main())


def test_mode_and_state_of_a_trainer_are_recorded_also_where_its_load_is_never_set() -> None:
    async def main() -> None:
        async with on_the_radio() as riding:
            assert [r.row_kind for r in riding.log.payload_rows if r.characteristic == "2ad3"] == ["read"]
            riding.begin(STEADY, 1.0)
            await asyncio.sleep(60)
            assert riding.written == []
            assert not riding.sensor.trainer.controlled

    run_virtual(main())


def test_a_screen_that_crashes_takes_its_load_along_and_nothing_rises_any_more() -> None:
    async def main() -> None:
        async with on_the_radio() as riding:
            riding.begin(STEADY, 1.0)
            await riding.press()
            await until(lambda: riding.sensor.trainer.power_w == 40)
            riding.screen = False
            await until(lambda: not riding.sensor.trainer.controlled)
            written = riding.written
            assert "053700" not in written  # 55 W
            riding.screen = True
            await asyncio.sleep(60)
            assert riding.written == written
            assert "the screen whose key allowed it is gone" in riding.said[-1]

    run_virtual(main())


def test_a_lost_link_needs_a_new_key_and_the_trainer_is_let_go_when_it_is_back() -> None:
    async def main() -> None:
        async with on_the_radio(replace(CEDAR, faults=(DropOut(60.0, 20.0),))) as riding:
            riding.begin(STEADY, 1.0)
            await riding.press()
            await until(lambda: riding.sensor.trainer.power_w == 60)
            await until(lambda: bool(riding.log.events(Event.LINK_LOST)))
            assert riding.sensor.trainer.power_w == 60  # nothing reaches it
            before = len(riding.written)
            await until(lambda: bool(riding.driver.question))
            await until(lambda: riding.sensor.trainer.power_w is None)
            await asyncio.sleep(30)
            assert riding.written[before:] == ["00", "01"]
            await riding.press()
            await until(lambda: riding.sensor.trainer.power_w == 60)

    run_virtual(main())


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        (TrainerBehaviour(manner="silent"), "did not answer within"),
        (TrainerBehaviour(manner="busy"), "refused the request"),
        (TrainerBehaviour(manner="taken"), "somebody else"),
        (TrainerBehaviour(target_bits=0), "does not offer"),
    ],
    ids=["silent", "busy", "taken", "cannot"],
)
def test_a_trainer_that_is_not_to_be_set_is_said_in_words(behaviour: TrainerBehaviour, words: str) -> None:
    async def main() -> None:
        async with on_the_radio(replace(CEDAR, trainer=behaviour)) as riding:
            riding.begin(STEADY, 1.0)
            if behaviour.target_bits:
                await riding.press()
            await until(lambda: any(words in said for said in riding.said))
            await asyncio.sleep(10)
            assert all(not request.startswith("05") for request in riding.written)

    run_virtual(main())


def test_a_trainer_that_falls_silent_is_let_go_until_the_next_step() -> None:
    async def main() -> None:
        async with on_the_radio() as riding:
            riding.begin(STEADY, 1.0)
            await riding.press()
            await until(lambda: riding.sensor.trainer.power_w == 60)
            riding.driver(Row(0, "event", sensor="Cedar", event=Event.SILENT, detail={"silent_s": 8.0}), {})
            await until(lambda: not riding.sensor.trainer.controlled)
            await asyncio.sleep(30)
            assert riding.driver.question == ""
            riding.begin(STEADY, 121.0)
            await until(lambda: bool(riding.driver.question))

    run_virtual(main())


def test_a_fault_of_ours_takes_the_load_off_and_is_noted_once() -> None:
    @dataclass
    class Faulty(TrainerSource):
        async def ask_trainer(self, sensor: str, request: bytes, timeout_s: float) -> str:
            if request == b"\x05\x3c\x00":  # 60 W
                raise ZeroDivisionError("a fault of ours")
            return await super().ask_trainer(sensor, request, timeout_s)

    async def main() -> None:
        source, log, said = Faulty(present=frozenset({"Cedar"})), FakeLog(), list[str]()
        driver = ResistanceDriver("Cedar", source, RecordingSession(LoopClock(), log, []), said.append)
        driver.answerer_there = lambda: True
        driver.start()
        driver.on_plan(PlanState(next(plan_of(STEADY).turns()), None, math.inf, number=0))
        await until(lambda: bool(driver.question))
        driver.allow(driver.question)
        await until(lambda: source.asked[-1:] == [bytes(RESET)])
        assert [request.hex() for request in source.asked[-3:]] == ["053200", "0801", "01"]
        (note,) = log.events(Event.NOTE)
        assert "ZeroDivisionError" in note.detail["text"]
        await driver.end("the test ends")

    run_virtual(main())


def test_the_end_waits_for_no_earlier_answer_and_is_bounded() -> None:
    async def main() -> None:
        async with on_the_radio() as riding:
            riding.begin(STEADY, 1.0)
            await riding.press()
            await until(lambda: riding.sensor.trainer.power_w == 40)
            riding.sensor.trainer.behaviour = TrainerBehaviour(manner="silent")
            await asyncio.sleep(1.1)  # a request is under way that will not be answered
            began_s = asyncio.get_running_loop().time()
            await riding.driver.end("the recording ends")
            assert asyncio.get_running_loop().time() - began_s <= 2.1
            assert riding.written[-3:] == ["051900", "0801", "01"]
            assert "unclip" in riding.said[-1]

    run_virtual(main())


# -- whole recordings -------------------------------------------------------------------------------------------


@dataclass
class TrainerSource(FakeSource):
    """Its trainer does all it is asked; `asked` are the requests."""

    asked: list[bytes] = field(default_factory=list)

    async def trainer_values(self, sensor: str) -> dict[str, bytes] | str:
        return {**CAN, "2ad8": bytes(PowerRange(50, 800, 5))}

    async def ask_trainer(self, sensor: str, request: bytes, timeout_s: float) -> str:
        self.asked.append(request)
        return ""


@asynccontextmanager
async def recording(
    folder: Path, plan: Plan, *, allow: bool = True, control: bool = True
) -> AsyncIterator[tuple[TrainerSource, asyncio.Task[Summary], list[str]]]:
    source, words = TrainerSource(present=frozenset({"Cedar"})), list[str]()
    job = RecordJob(
        parse_bench(TRAINER.encode()), folder, plan, needed_bytes=0, control=control, allow_resistance=allow
    )
    ride = asyncio.create_task(record(job, Surroundings(LoopClock(), SystemStorage(), source, words.append)))
    try:
        yield source, ride, words
    finally:
        ride.cancel()
        await asyncio.gather(ride, return_exceptions=True)


async def attached(folder: Path, *, own: bool = False) -> ControlClient:
    for _ in range(200):
        try:
            return await asyncio.to_thread(ControlClient.connect, folder, own=own)
        except Exception:  # noqa: BLE001 - not yet
            await asyncio.sleep(0.02)
    raise AssertionError("no recorder came")


async def told(client: ControlClient, wanted: Callable[[Tell], bool]) -> Tell:
    async with asyncio.timeout(20):
        while (tell := await asyncio.to_thread(client.wait, 0.05)) is None or not wanted(tell):
            pass
    return tell


def load_rows(folder: Path) -> Iterator[dict[str, Any]]:
    (path,) = folder.glob("*.parquet")
    return (row for row in table_of(path) if row["event"] == Event.RESISTANCE)


async def test_a_key_on_the_owners_screen_raises_and_the_end_of_the_ride_lets_go(tmp_path: Path) -> None:
    async with recording(tmp_path, plan_of(STEADY)) as (source, ride, _):
        owner = await attached(tmp_path, own=True)
        watcher = await attached(tmp_path)
        tell = await told(owner, lambda tell: bool(tell.question) and tell.owned)
        watcher.ask(Ask("resist", text=tell.question))
        async with asyncio.timeout(20):
            while not watcher.answers:
                await asyncio.sleep(0.02)
        assert "answers for the trainer's load" in watcher.answers[0]
        assert source.asked == []
        owner.ask(Ask("resist", text=tell.question))
        async with asyncio.timeout(20):
            while b"\x05\x37\x00" not in source.asked:  # 55 W, after 50 W
                await asyncio.sleep(0.02)
        owner.ask(Ask("finish"))
        summary = await ride
        owner.close()
        watcher.close()
    assert summary.reason == "hand"
    assert [r.hex() for r in source.asked[-3:]] == ["053200", "0801", "01"]
    rows = table_of(next(tmp_path.glob("*.parquet")))
    assert rows[-1]["event"] == Event.FINISHED
    assert len(list(load_rows(tmp_path))) == 3  # asked, allowed, released


async def test_a_hand_that_skips_lets_go_as_does_an_owner_that_vanishes(tmp_path: Path) -> None:
    async with recording(tmp_path, plan_of(STEADY, EASY, STEADY)) as (source, _, words):
        owner = await attached(tmp_path, own=True)
        owner.ask(Ask("resist", text=(await told(owner, lambda tell: bool(tell.question))).question))
        await told(owner, lambda tell: len(source.asked) >= 3)
        owner.ask(Ask("skip"))
        await told(owner, lambda tell: source.asked[-1] == b"\x01")
        owner.ask(Ask("next"))  # to the second step with a load, since the easy one was skipped
        tell = await told(owner, lambda tell: tell.coming is None and bool(tell.question))
        count = len(source.asked)
        owner.ask(Ask("resist", text=tell.question))
        await told(owner, lambda tell: len(source.asked) >= count + 3)
        owner.close()
        async with asyncio.timeout(20):
            while not any("screen whose key" in said for said in words):
                await asyncio.sleep(0.02)
        async with asyncio.timeout(20):
            while source.asked[-1] != b"\x01":
                await asyncio.sleep(0.02)


@pytest.mark.parametrize(
    ("allow", "control", "words"), [(False, True, "--allow-resistance"), (True, False, "--control")]
)
async def test_without_leave_or_a_screen_no_load_is_set_and_that_is_said(
    tmp_path: Path, allow: bool, control: bool, words: str
) -> None:
    short = STEADY.replace("120", "0.3")
    async with recording(tmp_path, plan_of(short), allow=allow, control=control) as (source, ride, said):
        await ride
    assert source.asked == []
    assert any(words in each for each in said)
    (path,) = tmp_path.glob("*.parquet")
    assert "resistance" not in next(row["detail"] for row in table_of(path) if row["event"] == Event.SEGMENT_START)


async def test_a_cancelled_recorder_lets_go_as_well(tmp_path: Path) -> None:
    async with recording(tmp_path, plan_of(STEADY)) as (source, ride, _):
        owner = await attached(tmp_path, own=True)
        owner.ask(Ask("resist", text=(await told(owner, lambda tell: bool(tell.question))).question))
        await told(owner, lambda tell: len(source.asked) >= 3)
        ride.cancel()
        await asyncio.gather(ride, return_exceptions=True)
        owner.close()
    assert [r.hex() for r in source.asked[-3:]] == ["053200", "0801", "01"]


# -- what becomes of it in analysis -----------------------------------------------------------------------------


def held_sprint(trainer: str) -> Segment:
    return replace(segment(60, 72, "sprint"), resistance=SetResistance(trainer, "target-power", 300.0))


def pulse() -> list[float]:
    return [500.0 if 60 <= second < 70 else 100.0 for second in range(120)]


def test_a_sprint_is_not_compared_for_a_trainer_that_held_a_power() -> None:
    signals = {name: sending(name, pulse()) for name in ("Alder", "Birch", "Cedar")}
    terms = {name: SprintTerms(2.0, slower_by_s=0.0) for name in ("Birch", "Cedar")}
    (sprint,) = compare_sprints(signals, (held_sprint("Cedar"),), "Alder", terms).sprints
    assert sprint.meters["Cedar"].why_not == HELD
    assert math.isnan(sprint.meters["Cedar"].greatest_1s_w.difference_pct)
    assert sprint.held_by("Cedar")
    assert not sprint.held_by("Birch")
    assert sprint.meters["Birch"].pulse_work_j.difference_pct == pytest.approx(0)
    against_it = compare_sprints(signals, (held_sprint("Cedar"),), "Cedar", {"Alder": terms["Birch"]})
    assert against_it.sprints[0].why_not == HELD


def test_a_sprint_on_a_slope_is_compared_as_any_other() -> None:
    signals = {name: sending(name, pulse()) for name in ("Alder", "Cedar")}
    on_slope = replace(held_sprint("Cedar"), resistance=SetResistance("Cedar", "slope", 2.0))
    (sprint,) = compare_sprints(signals, (on_slope,), "Alder", {"Cedar": SprintTerms(2.0, slower_by_s=0.0)}).sprints
    assert sprint.meters["Cedar"].why_not == ""


@given(st.recursive(st.none() | st.floats() | st.text(), lambda inner: st.dictionaries(st.text(), inner)))
def test_whatever_a_segment_says_of_a_load_it_can_be_read(told: Any) -> None:
    start = Row(0, "event", event=Event.SEGMENT_START, detail={"segment_no": 1, "resistance": told})
    (found,) = segments_from_events([start], 10)
    assert found.resistance is None or found.resistance.words
