"""A recorder without a screen: told from afar how it goes, and ended in order by battery, signal or broker."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.errors import BadInput
from analysis.recording_reader import read_recording
from analysis.rows import Event
from recorder.compose import RecordJob, Surroundings, record
from recorder.headless_status import OFFLINE, Command, command_from
from recorder.host_battery import Charge, host_charge, require_battery
from recorder.host_clock import SystemClock
from recorder.mqtt_client import Broker, Connection, connected, open_broker
from recorder.service_notify import ServiceNotify
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from tests.fake_broker import DenyingBroker
from tests.mosquitto_broker import Mosquitto, free_port
from tests.program_on_air import program_on_air
from tests.riding import ONE_METER, FakeSource, exit_status, number_in, one_meter_bench, payload, table_of

ROOT = Path(__file__).resolve().parents[1]
SCHEMAS = files("recorder").joinpath("schemas")
STATUS = json.loads(SCHEMAS.joinpath("status.json").read_bytes())
COMMAND = json.loads(SCHEMAS.joinpath("command.json").read_bytes())
BASE = "wattproof/quayside-bench"
PATIENCE_S = 30.0

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and sockets of Unix")


# -- the battery of the computer -----------------------------------------------------------------------------------


def supply(supplies: Path, name: str, **words: str) -> Path:
    """As the kernel lays it out: Documentation/ABI/testing/sysfs-class-power."""
    folder = supplies / name
    folder.mkdir(parents=True, exist_ok=True)
    for key, word in words.items():
        (folder / key).write_text(f"{word}\n")
    return folder


@pytest.mark.parametrize(
    ("supplied", "charge"),
    [
        ([], None),
        ([{"type": "Mains", "online": "0"}], None),
        ([{"type": "Battery", "scope": "Device", "capacity": "3", "status": "Discharging"}], None),  # a mouse
        ([{"type": "Battery", "capacity": "41", "status": "Discharging"}], Charge(41, True)),
        ([{"type": "Battery", "capacity": "41", "status": "Charging"}], Charge(41, False)),
        ([{"type": "Battery", "capacity": "100", "status": "Full"}], Charge(100, False)),
        ([{"type": "Battery", "capacity": "60", "status": "Not charging"}], Charge(60, False)),
        ([{"type": "Battery", "capacity": "7", "status": "Unknown"}], Charge(7, True)),
        ([{"type": "Battery", "capacity": "7"}], Charge(7, True)),
        ([{"type": "Battery", "capacity": "junk", "status": "Discharging"}], None),
        ([{"type": "Battery", "capacity": "900", "status": "Discharging"}], None),
        ([{"type": "Battery", "status": "Discharging"}], None),
        (
            [
                {"type": "Battery", "capacity": "2", "status": "Discharging"},
                {"type": "Battery", "capacity": "90", "status": "Unknown"},
            ],
            Charge(90, True),
        ),
    ],
)
def test_what_the_kernel_tells_of_batteries(
    tmp_path: Path, supplied: list[dict[str, str]], charge: Charge | None
) -> None:
    for number, words in enumerate(supplied):
        supply(tmp_path, f"BAT{number}", **words)
    assert host_charge(tmp_path) == charge


def test_a_computer_without_a_battery_cannot_be_stopped_by_one(tmp_path: Path) -> None:
    assert host_charge(tmp_path / "none") is None
    with pytest.raises(BadInput, match="leave --stop-on-battery out"):
        require_battery(tmp_path)


# -- messages ------------------------------------------------------------------------------------------------------


@given(st.binary(max_size=5000))
def test_any_bytes_are_a_command_or_one_sentence(payload: bytes) -> None:
    command = command_from(payload)
    assert isinstance(command, Command) or len(command.splitlines()) == 1


@given(
    st.dictionaries(
        st.sampled_from(["do", "text", "x"]),
        st.one_of(st.sampled_from(["mark", "stop", "finish"]), st.text(max_size=300), st.integers(), st.none()),
        max_size=3,
    )
)
def test_a_command_is_taken_exactly_if_the_schema_allows_it(told: dict[str, Any]) -> None:
    allowed = jsonschema.Draft202012Validator(COMMAND).is_valid(told)
    assert isinstance(command_from(json.dumps(told).encode()), Command) is allowed


def test_the_last_will_is_of_the_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(STATUS)
    jsonschema.validate(json.loads(OFFLINE), STATUS)


# -- a recorder in a process of its own ------------------------------------------------------------------------------


@dataclass
class Pocket:
    process: asyncio.subprocess.Process
    rides: Path
    battery: Path

    async def ended(self) -> dict[str, Any]:
        """What it printed at the end, once it has gone by itself and in order."""
        out, err = await asyncio.wait_for(self.process.communicate(), PATIENCE_S)
        assert self.process.returncode == 0, err.decode()
        summary: dict[str, Any] = json.loads(out)
        return summary


@asynccontextmanager
async def pocket(folder: Path, **asked: Any) -> AsyncIterator[Pocket]:
    supplies, rides = folder / "supplies", folder / "rides"
    rides.mkdir()
    battery = supply(supplies, "BAT0", type="Battery", capacity="60", status="Discharging")
    words = json.dumps({"folder": str(rides), "supplies": str(supplies), **asked})
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.pocket_recorder", words, cwd=ROOT, stdout=pipe, stderr=pipe
    )
    try:
        yield Pocket(process, rides, battery)
    finally:
        if process.returncode is None:
            process.kill()
            await process.communicate()


async def journal_grows(rides: Path) -> None:
    """Rows are being recorded from now on."""

    def size() -> int:
        return sum(path.stat().st_size for path in rides.glob("*.journal"))

    async with asyncio.timeout(PATIENCE_S):
        before = max(size(), 2000)  # what stands in it before the first row
        while size() < before + 300:  # several rows, more than the last words of a recording
            await asyncio.sleep(0.02)


def check_finished(summary: dict[str, Any], reason: str, reads: int = 1) -> None:
    """The file is there, reads back whole as everybody's reader reads it, and says why it ended."""
    assert summary["reason"] == reason
    recording = Path(summary["recording"])
    read_recording(recording)
    rows = table_of(recording)
    numbers = [number_in(row["payload"]) for row in rows if row["characteristic"] == "2a63"]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) == summary["sensors"]["Alder"]["rows"] - reads
    (finished,) = [row for row in rows if row["event"] == Event.FINISHED]
    assert json.loads(finished["detail"])["reason"] == reason
    assert not list(recording.parent.glob("*.journal"))


async def test_a_falling_battery_ends_the_ride_in_order(tmp_path: Path) -> None:
    async with pocket(tmp_path) as recorder:
        await journal_grows(recorder.rides)
        for words in ({"capacity": "9"}, {"status": "Charging"}, {"capacity": "8"}):
            supply(recorder.battery.parent, "BAT0", **words)
            await asyncio.sleep(0.35)  # several looks
            await journal_grows(recorder.rides)
        supply(recorder.battery.parent, "BAT0", status="Discharging")
        check_finished(await recorder.ended(), "battery of this computer at 8 % or less")


@pytest.mark.skipif(not hasattr(signal, "SIGPWR"), reason="a signal of Linux")
async def test_failing_power_ends_the_ride_in_order(tmp_path: Path) -> None:
    async with pocket(tmp_path) as recorder:
        await journal_grows(recorder.rides)
        recorder.process.send_signal(signal.SIGPWR)
        check_finished(await recorder.ended(), "SIGPWR")


# -- over a broker -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with Mosquitto(tmp_path_factory.mktemp("broker")) as running:
        yield open_broker(f"mqtt://127.0.0.1:{running.port}")


@dataclass
class Helm:
    """Somebody far away."""

    connection: Connection
    answers: list[str]
    statuses: list[dict[str, Any]]

    async def until(self, state: str) -> dict[str, Any]:
        async with asyncio.timeout(PATIENCE_S):
            async for message in self.connection.messages():
                assert not message.retained
                told = json.loads(message.payload)
                if message.topic == f"{BASE}/answer":
                    self.answers.append(told["words"])
                    continue
                jsonschema.validate(told, STATUS)
                self.statuses.append(told)
                if told["state"] == state:
                    return self.statuses[-1]
        raise AssertionError("unreachable")

    async def answer(self, payload: bytes, retain: bool = False) -> str:
        await self.connection.publish(f"{BASE}/command", payload, retain=retain)
        count = len(self.answers)
        async with asyncio.timeout(PATIENCE_S):
            while len(self.answers) == count:
                await self.until("recording")
        return self.answers[-1]


@asynccontextmanager
async def helm(broker: Broker) -> AsyncIterator[Helm]:
    async with connected(broker, f"helm-{os.getpid()}") as connection:
        await connection.subscribe(f"{BASE}/status")
        await connection.subscribe(f"{BASE}/answer")
        yield Helm(connection, [], [])


async def test_status_and_commands_over_a_broker(tmp_path: Path, broker: Broker) -> None:
    async with helm(broker) as afar:
        await afar.connection.publish(f"{BASE}/command", b'{"do":"stop"}', retain=True)  # of yesterday
        async with pocket(tmp_path, url=str(broker.address), accept_stop=True) as recorder:
            first = await afar.until("recording")
            assert [(s["name"], s["live"], s["battery_pct"]) for s in first["sensors"]] == [("Alder", True, 77)]
            assert first["host_battery"] == {"pct": 60, "falling": True}
            while not afar.answers:
                await afar.until("recording")
            assert "a retained command is not obeyed" in afar.answers[0]
            await afar.connection.publish(f"{BASE}/command", b"", retain=True)  # takes it away
            assert await afar.answer(b'{"do":"mark","text":"kerb"}') == "segment 1 begun"
            assert "no command" in await afar.answer(b'{"do":"format"}')
            later = await afar.until("recording")
            assert later["sensors"][0]["rows"] > first["sensors"][0]["rows"]
            assert later["sensors"][0]["age_s"] < 5
            await afar.connection.publish(f"{BASE}/command", b'{"do":"stop"}')
            last = await afar.until("finished")
            summary = await recorder.ended()
        check_finished(summary, "broker")
        assert last["recording"] == summary["recording"]
        marks = [row for row in table_of(Path(summary["recording"])) if row["event"] == Event.MARK]
        assert [json.loads(row["detail"])["text"] for row in marks] == ["kerb"]


async def test_stop_needs_leave_and_a_killed_recorder_is_offline(tmp_path: Path, broker: Broker) -> None:
    async with helm(broker) as afar, pocket(tmp_path, url=str(broker.address)) as recorder:
        await afar.until("recording")
        assert "without --accept-stop" in await afar.answer(b'{"do":"stop"}')
        recorder.process.kill()
        await afar.until("offline")


async def test_no_broker_and_then_one_costs_the_ride_nothing(tmp_path: Path) -> None:
    port = free_port()
    async with pocket(tmp_path, url=f"mqtt://127.0.0.1:{port}") as recorder:
        await journal_grows(recorder.rides)
        with Mosquitto(tmp_path, port=port):
            async with helm(open_broker(f"mqtt://127.0.0.1:{port}")) as afar:
                await afar.until("recording")
        recorder.process.send_signal(signal.SIGTERM)
        check_finished(await recorder.ended(), "SIGTERM")


async def test_whoever_may_not_hear_commands_still_tells_how_it_goes(tmp_path: Path) -> None:
    denying = DenyingBroker()
    async with denying:
        async with pocket(tmp_path, url=denying.url) as recorder:
            await journal_grows(recorder.rides)
            async with asyncio.timeout(PATIENCE_S):
                while len(denying.published) < 3:
                    await asyncio.sleep(0.05)
            recorder.process.send_signal(signal.SIGTERM)
            _, err = await recorder.process.communicate()
        assert err.decode().count("no commands are taken") == 1
        statuses = [json.loads(payload) for payload in denying.published]
    assert statuses[-1]["state"] == "finished"
    for status in statuses:
        jsonschema.validate(status, STATUS)


class Clumsy:
    """Something beside a recording that breaks as it begins, or as it ends."""

    def __init__(self, begins: bool) -> None:
        self.begins = begins

    async def __aenter__(self) -> None:
        if not self.begins:
            raise OSError("broken at the start")

    async def __aexit__(self, *_: object) -> None:
        raise ValueError("broken at the end")


async def test_what_breaks_beside_a_recording_costs_it_nothing(tmp_path: Path) -> None:
    words: list[str] = []
    clock = SystemClock()

    async def deliver(sink: RecordSink) -> None:
        for number in range(10):
            sink.received(clock.now_ns(), "Alder", "2a63", payload(number))
        await asyncio.Event().wait()

    around = Surroundings(
        clock, SystemStorage(), FakeSource([deliver]), words.append,
        companions=[lambda riding: Clumsy(begins=False), lambda riding: Clumsy(begins=True)],
    )  # fmt: skip
    job = RecordJob(one_meter_bench(), tmp_path, duration_s=0.3, needed_bytes=0)
    check_finished((await record(job, around)).as_dict(), "duration", reads=0)
    assert [word for word in words if "beside" in word] == [
        "what runs beside the recording could not begin (OSError: broken at the start)",
        "what ran beside the recording failed (ValueError: broken at the end)",
    ]


# -- the service manager -------------------------------------------------------------------------------------------


@asynccontextmanager
async def manager() -> AsyncIterator[tuple[str, list[str]]]:
    """The path of its socket, in a short folder since such a path has a hundred characters at most; what it hears."""
    heard: list[str] = []

    async def listen(listening: socket.socket) -> None:
        while True:
            heard.append((await asyncio.get_running_loop().sock_recv(listening, 4096)).decode())

    with tempfile.TemporaryDirectory() as folder, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"{folder}/notify")
        listening.setblocking(False)
        hearing = asyncio.create_task(listen(listening))
        yield f"{folder}/notify", heard
        hearing.cancel()
        await asyncio.gather(hearing, return_exceptions=True)


def test_the_manager_is_found_in_the_environment() -> None:
    """Names and units of sd_notify(3) and sd_watchdog_enabled(3)."""
    assert ServiceNotify.from_environment({}) is None
    assert ServiceNotify.from_environment({"NOTIFY_SOCKET": "vsock:2:1"}) is None
    assert ServiceNotify.from_environment({"NOTIFY_SOCKET": "@abstract"}) == ServiceNotify("\0abstract", None)
    watched = {"NOTIFY_SOCKET": "/run/n", "WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "17"}
    assert ServiceNotify.from_environment(watched, pid=17) == ServiceNotify("/run/n", 3.0)
    assert ServiceNotify.from_environment(watched, pid=18) == ServiceNotify("/run/n", None)
    assert ServiceNotify.from_environment({**watched, "WATCHDOG_USEC": "x"}, pid=17) == ServiceNotify("/run/n", None)


def test_a_manager_that_is_not_there_is_no_trouble(tmp_path: Path) -> None:
    ServiceNotify(str(tmp_path / "nobody"), None).tell("READY=1")


async def test_the_program_as_a_service(tmp_path: Path, broker: Broker) -> None:
    """`record` with the options of the unit, a manager that listens, and a stop from afar."""
    told = {**os.environ, "WATCHDOG_USEC": "600000"}
    options = ("--headless", "--status", str(broker.address), "--accept-stop", "--json")
    pipe = asyncio.subprocess.PIPE
    async with (
        manager() as (path, heard),
        helm(broker) as afar,
        program_on_air(
            tmp_path, *options, sent=1, stdout=pipe, stderr=pipe, env={**told, "NOTIFY_SOCKET": path}
        ) as on_air,
    ):
        async with asyncio.timeout(PATIENCE_S):
            while not (await afar.until("recording"))["sensors"][0]["live"]:
                pass
        await afar.connection.publish(f"{BASE}/command", b'{"do":"stop"}')
        out, err = await asyncio.wait_for(on_air.process.communicate(), PATIENCE_S)
        await asyncio.sleep(0.05)
    assert on_air.process.returncode == 0, err.decode()
    assert json.loads(out)["reason"] == "broker"
    assert heard[0] == "READY=1\nSTATUS=recording"
    assert any(words.startswith("WATCHDOG=1\nSTATUS=recording for") for words in heard)
    assert heard[-1] == "STOPPING=1\nSTATUS=the recording has ended"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--accept-stop"], "go with --status"),
        (["--status", "http://quay"], "not the address of a broker"),
        (["--status", "mqtts://quay", "--topic", "a/#"], "not a usable topic"),
        (["--stop-on-battery", "0"], "from 1 to 99"),
    ],
)
def test_unfit_options_end_with_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(ONE_METER)
    assert exit_status("record", str(bench), "--out", str(tmp_path), "--headless", *words) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [bench]
