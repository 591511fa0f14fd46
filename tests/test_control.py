"""The control socket inside one process: what may be asked, what is told, and who cannot disturb a recording."""

from __future__ import annotations

import asyncio
import functools
import json
import os
import socket
import stat
import threading
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.plan_file import Plan
from analysis.rows import Event
from recorder.compose import RecordJob, Surroundings, record
from recorder.control_client import ControlClient
from recorder.control_place import ControlPlace, control_place, private_folder
from recorder.control_server import ControlServer, served
from recorder.control_words import Answer, Ask, Tell, ask_from_line, to_line, told_from_line
from recorder.errors import ControlUnusable, NotRecording
from recorder.live_screen import ScreenView
from recorder.recording_run import Summary
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from recorder.zero_offset import ZeroOffsetAnswer, refusal
from simulated_sensors.virtual_time import run_virtual
from tests.riding import POWER, FakeSource, LoopClock, one_meter_bench, plan_of, table_of

EASY = 'name = "easy"\nkind = "free"\nseconds = 600'
PATIENCE_S = 20.0


@dataclass
class ZeroSource(FakeSource):
    """Its meter answers zero offsets with what it is given, and delivers a packet each quarter second."""

    answers: list[ZeroOffsetAnswer] = field(default_factory=list)
    sink: RecordSink | None = None

    async def run(self, sink: RecordSink) -> None:
        self.sink = sink
        while True:
            sink.received(round(asyncio.get_running_loop().time() * 1e9), "Alder", "2a63", POWER)
            await asyncio.sleep(0.25)

    async def zero_offset(self, sensor: str) -> ZeroOffsetAnswer:
        answer = self.answers.pop(0)
        self.tell(answer)
        return answer

    def tell(self, answer: ZeroOffsetAnswer) -> None:
        if self.sink is not None and answer.outcome != "unreachable":
            self.sink.happened(
                Event.ZERO_ANSWERED, answer.sensor, result=answer.outcome, raw=answer.raw, words=answer.words
            )


@dataclass
class Ride:
    folder: Path
    source: ZeroSource
    recording: asyncio.Task[Summary]
    screens: list[ControlClient] = field(default_factory=list)

    async def screen(self, *, own: bool = False) -> ControlClient:
        client = await asyncio.to_thread(ControlClient.connect, self.folder, own=own)
        self.screens.append(client)
        await told(client, lambda tell: not own or tell.owned)
        return client

    async def end(self, client: ControlClient) -> Summary:
        client.ask(Ask("finish"))
        return await self.recording


@asynccontextmanager
async def riding(
    folder: Path, plan: Plan | None = None, answers: Iterable[ZeroOffsetAnswer] = ()
) -> AsyncIterator[Ride]:
    source = ZeroSource(answers=list(answers), present=frozenset({"Alder"}))
    job = RecordJob(one_meter_bench(), folder, plan, needed_bytes=0, control=True)
    around = Surroundings(LoopClock(), SystemStorage(), source, lambda words: None)
    recording = asyncio.create_task(record(job, around))
    place = control_place(folder, make=True)
    while not place.socket_path.exists() and not recording.done():
        await asyncio.sleep(0.01)
    ride = Ride(folder, source, recording)
    try:
        yield ride
    finally:
        recording.cancel()
        await asyncio.gather(recording, return_exceptions=True)
        for screen in ride.screens:
            screen.close()


async def told(client: ControlClient, wanted: Callable[[Tell], bool]) -> Tell:
    """The first state of which that holds."""

    def wait() -> Tell:
        while not client.closed:
            if (tell := client.tell) is not None and wanted(tell):
                return tell
            client.wait(0.1)
        if (last := client.tell) is not None and wanted(last):
            return last
        raise AssertionError("the link ended before that was told")

    return await asyncio.wait_for(asyncio.to_thread(wait), PATIENCE_S)


async def answered(client: ControlClient, ask: Ask) -> str:
    before = len(client.answers)
    assert client.ask(ask)
    await until(lambda: len(client.answers) > before)
    return client.answers[-1]


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not true():
            await asyncio.sleep(0.01)


def said(tell: Tell) -> list[str]:
    return [words for _, words in tell.said]


def events(summary: Summary, name: str) -> list[dict[str, Any]]:
    assert summary.recording is not None
    return [row for row in table_of(summary.recording) if row["event"] == name]


# -- words -----------------------------------------------------------------------------------------------------


@given(st.binary(max_size=300))
def test_any_line_is_an_ask_or_one_sentence(line: bytes) -> None:
    found = ask_from_line(line)
    assert isinstance(found, Ask | str)
    if isinstance(found, str):
        assert "\n" not in found


@given(st.builds(Ask, st.sampled_from(["mark", "zero", "extend"]), st.text(max_size=200), st.floats(-1e6, 1e6)))
def test_asks_come_through_as_they_were_sent(ask: Ask) -> None:
    try:
        line = to_line(ask)
    except UnicodeEncodeError:
        return  # lone surrogates are no text
    assert line.count(b"\n") == 1
    assert ask_from_line(line[:-1]) == ask


@pytest.mark.parametrize(
    "line", [b"", b"[]", b"{}", b'{"do":"explode"}', b'{"do":"mark","more":1}', b'{"do":"extend","seconds":NaN}']
)
def test_what_is_no_ask_is_said_in_words(line: bytes) -> None:
    assert isinstance(ask_from_line(line), str)


def test_a_text_of_a_novel_is_refused() -> None:
    assert "200 characters" in str(ask_from_line(to_line(Ask("mark", text="x" * 201))))


def test_lines_of_a_newer_recorder_are_passed_over() -> None:
    assert told_from_line(b'{"type":"song","words":"la"}') is None
    assert told_from_line(b'{"type":"answer","words":"yes","more":1}') == Answer("yes")


# -- the place -------------------------------------------------------------------------------------------------


def test_the_socket_lies_in_a_folder_of_this_user_alone(tmp_path: Path) -> None:
    place = control_place(tmp_path / "rides", make=True, base=tmp_path)
    assert stat.S_IMODE(place.socket_path.parent.stat().st_mode) == 0o700
    assert place.socket_path.parent.parent == tmp_path


def test_every_name_of_a_folder_leads_to_the_same_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "rides").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "rides")
    monkeypatch.chdir(tmp_path)
    names = [tmp_path / "rides", Path("rides"), tmp_path / "link", Path("rides/../rides")]
    assert len({control_place(name, make=True, base=tmp_path) for name in names}) == 1
    assert control_place(tmp_path, base=tmp_path) != control_place(tmp_path / "rides", base=tmp_path)


def test_a_folder_that_others_may_enter_is_refused(tmp_path: Path) -> None:
    folder = private_folder(tmp_path, make=True)
    folder.chmod(0o755)
    with pytest.raises(ControlUnusable, match="open to other users"):
        private_folder(tmp_path, make=True)


def test_a_link_in_its_place_is_refused(tmp_path: Path) -> None:
    folder = private_folder(tmp_path, make=True)
    folder.rename(tmp_path / "elsewhere")
    folder.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ControlUnusable, match="is no folder"):
        private_folder(tmp_path, make=False)


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() != 0, reason="only the superuser can give files away")
def test_the_folder_of_another_user_is_refused(tmp_path: Path) -> None:
    folder = private_folder(tmp_path, make=True)
    os.chown(folder, 12345, 12345)
    for make in (True, False):
        with pytest.raises(ControlUnusable, match="open to other users"):
            private_folder(tmp_path, make=make)


def test_where_nothing_is_recorded_nothing_can_be_watched(tmp_path: Path) -> None:
    with pytest.raises(NotRecording, match="on this computer"):
        control_place(tmp_path, base=tmp_path)
    with pytest.raises(NotRecording, match="nothing that a screen can attach to"):
        ControlClient.connect(tmp_path, place=control_place(tmp_path, make=True, base=tmp_path))


# -- steering a ride -------------------------------------------------------------------------------------------


async def test_a_ride_without_plan_is_marked_and_ended_by_hand(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        client = await ride.screen()
        assert await answered(client, Ask("clap", text="clap at noon")) == "marked: clap at noon"
        assert await answered(client, Ask("mark", text="climb")) == "segment 1 begun"
        assert await answered(client, Ask("mark")) == "segment 1 ended"
        assert await answered(client, Ask("mark")) == "segment 2 begun"
        assert await answered(client, Ask("next")) == "this ride has no plan"
        summary = await ride.end(client)
    assert summary.reason == "hand"
    assert len(events(summary, Event.MARK)) == 4
    assert ['"hand"' in row["detail"] for row in events(summary, Event.SEGMENT_END)] == [True, False]


async def test_states_tell_where_the_plan_is(tmp_path: Path) -> None:
    plan = plan_of(EASY, EASY.replace("easy", "second"), EASY.replace("easy", "third"))
    async with riding(tmp_path, plan) as ride:
        client = await ride.screen()
        first = await told(client, lambda tell: tell.plan_begun)
        assert (first.turn, first.coming, first.resting, first.live) == (0, 1, False, ("Alder",))
        assert first.turn_left_s == pytest.approx(600 - first.turn_elapsed_s, abs=0.01)
        assert Path(first.journals[0]).exists()
        assert first.pid == os.getpid()
        assert await answered(client, Ask("skip")) == "skipped: second"
        assert await answered(client, Ask("repeat")) == "easy comes once more"
        assert await answered(client, Ask("extend", seconds=30)) == "30 s longer"
        assert await answered(client, Ask("next")) == "on to the next step"
        again = await told(
            client, lambda tell: bool(tell.repeated) and tell.turn_elapsed_s < 590 and tell.coming == 2
        )
        assert (again.turn, again.skipped, again.repeated) == (0, (1,), (0,))
        assert said(again)[-4:] == [
            "skipped: second",
            "easy comes once more",
            "30 s longer",
            "on to the next step",
        ]
        summary = await ride.end(client)
    assert summary.reason == "hand"


async def test_the_last_state_names_the_recording(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        client = await ride.screen()
        client.ask(Ask("finish"))
        last = await told(client, lambda tell: tell.ended)
        summary = await ride.recording
        assert last.recording == str(summary.recording)
        assert last.finishing
        assert "ended by: hand" in last.ended_words
        await until(lambda: client.closed)
        assert list(control_place(tmp_path).socket_path.parent.glob(control_place(tmp_path).socket_path.name)) == []


async def test_a_plan_that_waits_for_meters_begins_at_a_key(tmp_path: Path) -> None:
    async with riding(tmp_path, plan_of(EASY)) as ride:
        ride.source.present = frozenset()
        client = await ride.screen()
        assert await answered(client, Ask("extend", seconds=5)) in ("the plan has not begun yet", "5 s longer")
        summary = await ride.end(client)
    assert summary.recording is not None


async def test_the_reference_can_be_changed_and_is_kept_as_a_note(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        client = await ride.screen()
        assert await answered(client, Ask("reference", sensor="Alder")) == "compared against Alder"
        assert await answered(client, Ask("reference", sensor="Nobody")) == "there is no such meter"
        assert (await told(client, lambda tell: tell.reference is not None)).reference == "Alder"
        summary = await ride.end(client)
    assert "compared against Alder" in events(summary, Event.NOTE)[0]["detail"]


async def test_marks_are_made_harmless(tmp_path: Path) -> None:
    async with riding(tmp_path, plan_of(EASY)) as ride:
        client = await ride.screen()
        assert await answered(client, Ask("mark", text="\x1b[2J\u202e")) == "marked: \ufffd[2J\ufffd"
        summary = await ride.end(client)
    assert "\\u001b" not in events(summary, Event.MARK)[0]["detail"]


# -- zero offsets ----------------------------------------------------------------------------------------------

DONE = ZeroOffsetAnswer("Alder", "done", "done; raw offset -12 in 1/32 N·m", -12, "1/32 N·m", -0.375)
BUSY = refusal("Alder", 0xFE)
REFUSED = refusal("Alder", 0x80)
SILENT = ZeroOffsetAnswer("Alder", "silent", "the sensor took the request and did not answer within 30 s")
LATE = ZeroOffsetAnswer("Alder", "done", "late answer: done; raw offset -12 in 1/32 N·m", -12)
ABSENT = ZeroOffsetAnswer("Alder", "unreachable", "the sensor is not connected")


@pytest.mark.parametrize("answer", [DONE, BUSY, REFUSED, SILENT, ABSENT], ids=lambda answer: answer.outcome)
async def test_what_came_of_a_zero_offset_is_told_in_words(tmp_path: Path, answer: ZeroOffsetAnswer) -> None:
    async with riding(tmp_path, answers=[answer]) as ride:
        client = await ride.screen()
        assert "unclip, set the cranks vertical" in await answered(client, Ask("zero"))
        tell = await told(client, lambda tell: any("settled" in words for words in said(tell)))
        assert f"Alder: zero offset {answer.words}" in said(tell)
        assert said(tell)[-1] == f"zero offsets: {int(answer.done)} of 1 settled"
        await ride.end(client)


async def test_a_late_answer_is_told_though_nobody_waits_for_it_any_more(tmp_path: Path) -> None:
    async with riding(tmp_path, answers=[SILENT]) as ride:
        client = await ride.screen()
        client.ask(Ask("zero"))
        await told(client, lambda tell: any("settled" in words for words in said(tell)))
        ride.source.tell(LATE)
        tell = await told(client, lambda tell: any("late answer" in words for words in said(tell)))
        assert said(tell)[-1] == f"Alder: zero offset {LATE.words}"
        await ride.end(client)


async def test_a_zero_step_goes_on_once_every_meter_has_its_zero_offset(tmp_path: Path) -> None:
    plan = plan_of('name = "zero"\nkind = "zero"\nseconds = 600', EASY)
    async with riding(tmp_path, plan, [BUSY, DONE]) as ride:
        client = await ride.screen()
        await told(client, lambda tell: tell.plan_begun)
        client.ask(Ask("zero"))
        after_busy = await told(client, lambda tell: any("0 of 1" in words for words in said(tell)))
        assert after_busy.turn == 0
        client.ask(Ask("zero", sensor="Alder"))
        assert (await told(client, lambda tell: tell.turn != 0)).turn == 1
        summary = await ride.end(client)
    assert len(events(summary, Event.ZERO_ANSWERED)) == 2


async def test_a_source_that_cannot_be_zeroed_says_so(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        client = await ride.screen()
        assert (
            await answered(client, Ask("zero", sensor="Nobody"))
            == "there is no meter to be asked for its zero offset"
        )
        await ride.end(client)


# -- who may end it --------------------------------------------------------------------------------------------


async def test_only_the_screen_that_started_a_recording_ends_it_while_it_is_there(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        owner, watcher = await ride.screen(own=True), await ride.screen()
        assert await answered(watcher, Ask("finish")) == "the screen that started this recording ends it"
        assert await answered(watcher, Ask("own")) == "another screen has started this recording"
        watcher.close()
        assert not ride.recording.done()
        assert (await ride.end(owner)).reason == "hand"


async def test_when_that_screen_is_gone_without_a_word_the_recording_goes_on_for_whoever_comes(
    tmp_path: Path,
) -> None:
    async with riding(tmp_path) as ride:
        owner, watcher = await ride.screen(own=True), await ride.screen()
        owner.close()
        await told(watcher, lambda tell: not tell.owned)
        assert not ride.recording.done()
        assert (await ride.end(watcher)).reason == "hand"


@dataclass
class Listening:
    """Stands behind a server; each state has the next number for its second."""

    bench: dict[str, object] = field(default_factory=dict)
    asked: list[Ask] = field(default_factory=list)
    told: int = 0
    pid: int = 0

    def do(self, ask: Ask) -> str:
        self.asked.append(ask)
        return "heard"

    def tell(self, owned: bool) -> Tell:
        self.told += 1
        state = Tell(float(self.told), (), self.bench, None, None, False, 0.0, 0.0, (), (), ())
        return msgspec.structs.replace(state, owned=owned, pid=self.pid)


def place_in(folder: Path) -> ControlPlace:
    return control_place(folder, make=True)


async def test_a_watcher_whose_link_fell_comes_back_by_itself(tmp_path: Path) -> None:
    first, second = Listening(), Listening()
    async with served(ControlServer(place_in(tmp_path), first), print):
        client = await asyncio.to_thread(functools.partial(ControlClient.connect, tmp_path, again=True))
        await told(client, lambda tell: True)
    async with served(ControlServer(place_in(tmp_path), second), print):
        async with asyncio.timeout(PATIENCE_S):
            while not second.told:
                await asyncio.sleep(0.02)
        assert not client.closed
        assert "trying again" in client.answers[0]
        assert await asyncio.to_thread(client.ask, Ask("mark"))
        async with asyncio.timeout(PATIENCE_S):
            while not second.asked:
                await asyncio.sleep(0.02)
        client.close()


async def test_a_watcher_follows_no_other_recording_that_began_meanwhile(tmp_path: Path) -> None:
    async with served(ControlServer(place_in(tmp_path), Listening(pid=1)), print):
        client = await asyncio.to_thread(functools.partial(ControlClient.connect, tmp_path, again=True))
        await told(client, lambda tell: tell.pid == 1)
    async with served(ControlServer(place_in(tmp_path), Listening(pid=2)), print), asyncio.timeout(PATIENCE_S):
        while not client.closed:
            await asyncio.sleep(0.02)
    client.close()
    assert client.tell is not None
    assert client.tell.pid == 1


async def test_the_owner_does_not_come_back_by_itself(tmp_path: Path) -> None:
    """Whoever starts a recording ends it; a lost owner must not take the ride along later."""
    async with served(ControlServer(place_in(tmp_path), Listening()), print):
        client = await asyncio.to_thread(functools.partial(ControlClient.connect, tmp_path, own=True))
        await told(client, lambda tell: tell.owned)
    async with asyncio.timeout(PATIENCE_S):
        while not client.closed:
            await asyncio.sleep(0.02)
    client.close()


async def test_the_reference_chosen_on_the_owners_screen_is_that_of_the_recorder(tmp_path: Path) -> None:
    listening = Listening()
    async with served(ControlServer(place_in(tmp_path), listening), print):
        client = await asyncio.to_thread(ControlClient.connect, tmp_path)
        ScreenView(client).choose(reference="Alder")
        ScreenView(client, owner=True).choose(window_s=60)
        ScreenView(client, owner=True).choose(reference="Birch")
        async with asyncio.timeout(PATIENCE_S):
            while not listening.asked:
                await asyncio.sleep(0.02)
        client.close()
    assert listening.asked == [Ask("reference", sensor="Birch")]


# -- who cannot disturb ----------------------------------------------------------------------------------------


def raw_watcher(folder: Path) -> socket.socket:
    connection = socket.socket(socket.AF_UNIX)
    connection.settimeout(PATIENCE_S)
    connection.connect(str(control_place(folder).socket_path))
    return connection


def exchange(connection: socket.socket, data: bytes, wanted: bytes) -> bytes:
    """All that came until `wanted` did, or the end."""
    connection.sendall(data)
    found = b""
    while wanted not in found and (more := connection.recv(65536)):
        found += more
    return found


@pytest.mark.parametrize(
    ("garbage", "answer"),
    [
        (b"\xff\xfe\x00garbage\n", b"that was no request"),
        (b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", b"that was no request"),
        (b'{"do":"finish"' + b" " * 70_000, b"at most 65536 bytes"),
        (b"[" * 30_000 + b"\n", b"that was no request"),
        (b'{"do":"extend","seconds":1e300}\n', b"has no plan"),
    ],
)
async def test_garbage_gets_one_sentence_and_does_nothing(tmp_path: Path, garbage: bytes, answer: bytes) -> None:
    async with riding(tmp_path) as ride:
        connection = raw_watcher(tmp_path)
        assert answer in await asyncio.to_thread(exchange, connection, garbage, answer)
        connection.close()
        client = await ride.screen()
        assert await answered(client, Ask("mark")) == "segment 1 begun"
        await ride.end(client)


async def test_half_a_line_and_a_quick_goodbye_do_nothing(tmp_path: Path) -> None:
    async with riding(tmp_path) as ride:
        connection = raw_watcher(tmp_path)
        connection.sendall(b'{"do":"finish"}')
        connection.close()
        client = await ride.screen()
        assert await answered(client, Ask("mark")) == "segment 1 begun"
        await ride.end(client)


async def test_a_watcher_that_asks_without_end_and_reads_nothing_is_dropped(tmp_path: Path) -> None:
    def flood(connection: socket.socket) -> bool:
        try:
            for _ in range(10_000):
                connection.sendall(b"garbage\n" * 100)
        except (BrokenPipeError, ConnectionResetError):
            return True
        return False

    async with riding(tmp_path) as ride:
        client = await ride.screen()
        connection = raw_watcher(tmp_path)
        flooding = asyncio.create_task(asyncio.to_thread(flood, connection))
        assert await answered(client, Ask("mark")) == "segment 1 begun"
        assert await flooding
        connection.close()
        summary = await ride.end(client)
    assert summary.sensors["Alder"].gaps == 0


async def test_a_watcher_that_stands_still_is_not_waited_for_and_gets_the_newest_state_later(tmp_path: Path) -> None:
    """Each state is larger than what the system takes for one who does not read."""
    heard = Listening(bench={"filler": "x" * 150_000})
    server = ControlServer(control_place(tmp_path, make=True), heard)
    async with served(server, lambda words: None):
        slow = raw_watcher(tmp_path)
        await until(lambda: server.watchers == 1)
        for _ in range(50):
            server.changed()
            await asyncio.sleep(0.002)
        made = heard.told
        assert made > 40
        newest = f'"recorded_s":{made + 1}.0'.encode()
        caught_up = await asyncio.to_thread(exchange, slow, b"", newest)
        slow.close()
    assert caught_up.count(b'"recorded_s"') < 6


class Broken:
    """What stands behind the server fails whenever it is touched."""

    def do(self, ask: Ask) -> str:
        raise RuntimeError("a fault of ours")

    def tell(self, owned: bool) -> Tell:
        raise RuntimeError("a fault of ours")


async def test_faults_behind_the_server_are_counted_and_told_not_raised(tmp_path: Path) -> None:
    place = control_place(tmp_path, make=True)
    server = ControlServer(place, Broken())
    async with served(server, lambda words: None):
        client = await asyncio.to_thread(ControlClient.connect, tmp_path)
        assert await answered(client, Ask("mark")) == "that could not be done (RuntimeError)"
        client.close()
    assert server.faults >= 2


async def test_where_no_socket_can_be_made_the_ride_is_recorded_all_the_same(tmp_path: Path) -> None:
    words: list[str] = []
    missing = ControlPlace(tmp_path / "none" / "x.sock", tmp_path / "none" / "x.port", has_sockets=True)
    async with served(ControlServer(missing, Broken()), words.append):
        assert ["no screen can attach" in w for w in words] == [True]


# -- a port instead of a socket --------------------------------------------------------------------------------


def port_place(folder: Path) -> ControlPlace:
    """As on a system without such sockets."""
    place = control_place(folder, make=True, base=folder)
    return ControlPlace(place.socket_path, place.port_path, has_sockets=False)


async def test_a_port_admits_whoever_knows_the_token(tmp_path: Path) -> None:
    place, heard = port_place(tmp_path), Listening()
    async with served(ControlServer(place, heard), lambda words: None):
        assert stat.S_IMODE(place.port_path.stat().st_mode) == 0o600
        client = await asyncio.to_thread(ControlClient.connect, tmp_path, own=True, place=place)
        assert (await told(client, lambda tell: tell.owned)).recorded_s >= 1.0
        assert await answered(client, Ask("mark", text="x")) == "heard"
        client.close()
    assert heard.asked == [Ask("mark", text="x")]
    assert not place.port_path.exists()


@pytest.mark.parametrize("first", [b'{"do":"finish"}\n', b'{"do":"token","text":"0"}\n', b"\n", b"{}\n"])
async def test_a_port_shuts_out_whoever_does_not(tmp_path: Path, first: bytes) -> None:
    place, heard = port_place(tmp_path), Listening()
    async with served(ControlServer(place, heard), lambda words: None):
        port = json.loads(place.port_path.read_text())["port"]
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(first)
        with suppress(ConnectionResetError):
            assert await reader.read() == b""
        writer.close()
    assert heard.asked == []


# -- virtual time ----------------------------------------------------------------------------------------------


def test_screens_are_served_while_time_runs_fast(tmp_path: Path) -> None:
    """As in the demo: a ride at 40 times real time, watched and ended from another thread."""

    async def main() -> tuple[Summary, float]:
        async with riding(tmp_path, plan_of(EASY)) as ride:
            loop = asyncio.get_running_loop()
            result: asyncio.Future[float] = loop.create_future()

            def watch() -> None:
                client = ControlClient.connect(tmp_path)
                while (tell := client.wait(5.0)) is None or tell.recorded_s < 20.0:
                    assert not client.closed
                client.ask(Ask("finish"))
                loop.call_soon_threadsafe(result.set_result, tell.recorded_s)
                client.close()

            threading.Thread(target=watch, daemon=True).start()
            seen_s = await result
            return await ride.recording, seen_s

    summary, seen_s = run_virtual(main(), speed=40.0)
    assert summary.reason == "hand"
    assert seen_s >= 20.0
    assert summary.seconds >= seen_s
    assert summary.sensors["Alder"].gaps == 0


# -- storage ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("state", "well"), [("well", True), ("memory", False), ("slow", False)])
async def test_the_state_of_the_disk_is_told(tmp_path: Path, state: str, well: bool) -> None:
    async with riding(tmp_path) as ride:
        client = await ride.screen()
        assert ride.source.sink is not None
        ride.source.sink.happened(Event.STORAGE, words="the disk says so", state=state)
        tell = await told(client, lambda tell: bool(tell.storage_words))
        assert (tell.storage_words, tell.storage_well) == ("the disk says so", well)
        await ride.end(client)
