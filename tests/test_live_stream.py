"""The published ride: its messages against their JSON Schema (checked by jsonschema), and that it holds up nobody."""

import asyncio
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from analysis.judge import judge_recording
from analysis.recording_reader import read_recording
from recorder.control_words import Tell
from recorder.errors import NotRecording
from recorder.host_clock import SystemClock
from recorder.live_snapshot import Snapshot
from recorder.live_stream import live_json, live_message, topic_base, utc_text
from recorder.live_stream_publisher import LivePublisher
from recorder.live_window import JournalFollower, LiveWindow
from recorder.mqtt_client import BrokerTrouble, connected, open_broker
from recorder.snapshot_maker import SnapshotMaker
from tests import screens
from tests.fake_broker import MuteBroker
from tests.mosquitto_broker import Mosquitto, free_port
from tests.test_live_equals_offline import rows_of

ROOT = Path(__file__).resolve().parents[1]
SCHEMA = json.loads(files("recorder").joinpath("schemas/live.json").read_bytes())
UTC_NS = 1_777_730_607_845_000_000


STATES = {
    "riding": screens.riding(),
    "eight meters": screens.riding(8),
    "all links": screens.with_links(screens.riding(5)),
    "no reference": screens.without_reference(screens.riding()),
    "resting": replace(screens.riding(), plan=screens.plan(resting=True)),
    "sprint near": replace(screens.riding(), plan=screens.plan(announce="sprint in 8 s", caution=screens.CAUTION)),
    "no plan": replace(screens.riding(), plan=None),
    "finishing": replace(screens.riding(), finishing=True),
    "ended": replace(screens.riding(), ended=True, ended_words="recorded"),
    "hostile names": screens.hostile(),
}


def validate(message: object) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(message)


@pytest.mark.parametrize("name", sorted(STATES))
def test_every_state_of_the_screen_makes_a_message_of_the_schema(name: str) -> None:
    snapshot = STATES[name]
    message = json.loads(live_json(snapshot, UTC_NS), parse_constant=lambda text: pytest.fail(f"{text} is no JSON"))
    validate(message)
    assert [meter["name"] for meter in message["meters"]] == [view.name for view in snapshot.meters]


def test_the_schema_knows_every_key_and_refuses_others() -> None:
    message = live_message(screens.riding(), UTC_NS)
    for broken in ({**message, "surprise": 1}, {k: v for k, v in message.items() if k != "step"}):
        with pytest.raises(jsonschema.ValidationError):
            validate(broken)
    message["meters"][0]["power_w"] = "200"
    with pytest.raises(jsonschema.ValidationError):
        validate(message)


def test_figures_are_those_of_the_snapshot() -> None:
    snapshot = screens.riding()
    message = live_message(snapshot, UTC_NS)
    for view, meter in zip(snapshot.meters, message["meters"], strict=True):
        for name in ("window", "segment", "steady"):
            against = getattr(view, name)
            if against is None:
                assert meter[name] is None
            else:
                assert meter[name]["difference_w"] == pytest.approx(against.difference_w, abs=0.005, nan_ok=True)
                assert meter[name]["verdict"] == against.word
    assert message["sent_utc"] == "2026-05-02T14:03:27.845Z"


def test_topics_and_times() -> None:
    assert topic_base("Quayside bench 2.0") == "wattproof/quayside-bench-2-0"
    assert topic_base("Ωμέγα \x1b]0;x") == "wattproof/0-x"
    assert utc_text(0) == "1970-01-01T00:00:00.000Z"


def tell_of(bench: dict[str, object], plan: dict[str, object] | None, at_s: float) -> Tell:
    return Tell(
        at_s,
        (),
        bench,
        plan,
        turn=3,
        resting=False,
        turn_elapsed_s=1,
        turn_left_s=9,
        skipped=(),
        repeated=(),
        live=(),
    )


def test_a_simulated_ride_gives_messages_of_the_schema_at_any_instant(demo_recording: Path) -> None:
    """Verdicts are those of the report, which the demo's own tests hold against its truth."""
    recording = read_recording(demo_recording)
    window, maker, message = LiveWindow(JournalFollower(list)), SnapshotMaker(), {}
    rows = rows_of(demo_recording)
    for at_s in (1, 30, 200, 475, 500, 600, 741):
        window.take(row for row in rows if row.host_ns <= at_s * 1e9)
        rows = [row for row in rows if row.host_ns > at_s * 1e9]
        tell = tell_of(recording.metadata.bench, recording.metadata.plan, at_s)
        message = live_message(maker.snapshot(window.gatherer, tell, round(at_s * 1e9)), UTC_NS)
        validate(message)
    told = {meter["name"]: meter["steady"]["verdict"] for meter in message["meters"] if meter["steady"] is not None}
    judged = judge_recording(recording).verdicts
    assert told == {name: verdict.judgement.word for name, verdict in judged.items()}


async def test_watching_publishes_what_another_process_records(tmp_path: Path) -> None:
    rides = tmp_path / "rides"
    rides.mkdir()
    asked = json.dumps({"folder": str(rides), "supplies": str(tmp_path), "control": True})
    with Mosquitto(tmp_path) as running:
        broker = open_broker(f"mqtt://127.0.0.1:{running.port}")
        async with connected(broker, "overlay") as overlay:
            await overlay.subscribe("quay/one")
            recorder = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "tests.pocket_recorder", asked, cwd=ROOT, stderr=asyncio.subprocess.DEVNULL
            )
            words = ("watch", str(rides), "--publish", str(broker.address), "--topic", "quay/one")
            publishing = await attached(recorder, *words)
            states: list[str] = []
            async with asyncio.timeout(60):
                async for message in overlay.messages():
                    assert not message.retained
                    told = json.loads(message.payload)
                    validate(told)
                    states.append(told["state"])
                    if len(states) == 3:
                        recorder.terminate()
                    if told["state"] == "ended":
                        break
            said = await rest_of(publishing)
            assert (publishing.returncode, await recorder.wait()) == (0, 0), said
    assert f"published {len(states)} messages to quay/one; 0 dropped" in said


@pytest.mark.slow
async def test_a_simulated_ride_is_published_as_the_schema_says(tmp_path: Path) -> None:
    """The real programs: recorder, publisher and broker each a process of its own."""
    with Mosquitto(tmp_path) as running:
        broker = open_broker(f"mqtt://127.0.0.1:{running.port}")
        async with connected(broker, "overlay") as overlay:
            await overlay.subscribe("wattproof/#")
            rides = tmp_path / "rides"
            demo = await program("demo", "--headless", "--control", "--speed", "80", "--out", str(rides))
            publishing = await attached(demo, "watch", str(rides), "--publish", str(broker.address))
            received: list[Any] = []
            async with asyncio.timeout(100):
                async for message in overlay.messages():
                    assert message.topic == "wattproof/quayside-bench/live"
                    assert not message.retained
                    received.append(json.loads(message.payload))
                    if received[-1]["state"] == "ended":
                        break
            said = await rest_of(publishing)
            assert publishing.returncode == 0, said
            assert await demo.wait() == 0
    for message in received:
        validate(message)
    assert f"published {len(received)} messages to wattproof/quayside-bench/live; 0 dropped" in said
    assert all(a["recorded_s"] <= b["recorded_s"] for a, b in pairwise(received))
    rode = [m for m in received if m["step"] is not None and m["step"]["name"] is not None]
    assert rode
    last = {meter["name"]: meter for meter in received[-1]["meters"]}
    # Who differs is the demo's own: its report says the same, and its own tests hold that against the truth.
    assert received[-1]["reference"] == "Alder"
    assert (last["Cedar"]["steady"]["verdict"], last["Birch"]["steady"]["verdict"]) == ("differs", "agrees")


async def program(*words: str) -> asyncio.subprocess.Process:
    command = "import sys; from analysis.command_line import main; sys.exit(main())"
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(
        sys.executable, "-c", command, *words, cwd=ROOT, stdout=asyncio.subprocess.DEVNULL, stderr=pipe
    )


async def attached(demo: asyncio.subprocess.Process, *words: str) -> asyncio.subprocess.Process:
    """`watch` ends at once with status 2 until there is a recording to attach to."""
    drained = asyncio.create_task(demo.communicate())
    while not drained.done():
        watching = await program(*words)
        assert watching.stderr is not None
        first_line = (await watching.stderr.readline()).decode()
        if first_line.startswith("publishing to"):
            return watching
        assert "nothing that a screen can attach to" in first_line
        await rest_of(watching)
    raise AssertionError("the demo ended before anything could attach")


async def rest_of(child: asyncio.subprocess.Process) -> str:
    """What else it says until it ends."""
    return (await child.communicate())[1].decode()


# -- in one process: a publisher with made-up snapshots ------------------------------------------------------------


class Rides:
    """Snapshots on demand; after `until` of them the recording has ended."""

    def __init__(self, until: int) -> None:
        self.asked = 0
        self._until = until

    def next_snapshot(self) -> Snapshot:
        self.asked += 1
        return STATES["ended" if self.asked >= self._until else "eight meters"]


def publisher(
    next_snapshot: Callable[[], Snapshot], url: str, said: list[str], every_s: float = 0.01
) -> LivePublisher:
    return LivePublisher(next_snapshot, open_broker(url), None, SystemClock(), said.append, every_s)


async def test_a_broker_that_stops_reading_costs_messages_and_nothing_else() -> None:
    said: list[str] = []
    rides = Rides(until=600)
    async with MuteBroker() as broker:
        live = publisher(rides.next_snapshot, broker.url, said, every_s=0.001)
        assert await live.run() == 0
    assert rides.asked == 600
    assert live.dropped > 100
    assert live.sent + live.dropped == 600
    assert said[-1].endswith(f"{live.dropped} dropped")


async def test_without_a_broker_the_publisher_goes_on_to_the_end() -> None:
    said: list[str] = []
    live = publisher(Rides(until=20).next_snapshot, f"mqtt://127.0.0.1:{free_port()}", said)
    assert await live.run() == 0
    assert live.sent == 0
    assert [words for words in said if "no broker listens there" in words] == said[:1]


async def test_a_lasting_trouble_at_the_start_ends_the_publisher(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, accounts={"overlay": "quay"}) as running:
        live = publisher(Rides(until=10_000).next_snapshot, f"mqtt://127.0.0.1:{running.port}", [])
        with pytest.raises(BrokerTrouble, match="lets nobody in without an account"):
            await live.run()


async def test_a_recorder_that_vanishes_is_said() -> None:
    def gone() -> Snapshot:
        raise NotRecording("the recorder has let this screen go")

    said: list[str] = []
    assert await publisher(gone, f"mqtt://127.0.0.1:{free_port()}", said).run() == 3
    assert "the recorder has let this screen go" in said
