"""Relays in the bench file, in commands and beside the computer's own radio: who reaches what, and bad input."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from pathlib import Path

import pytest

from analysis.bench_file import Bench, bench_from_dict, parse_bench
from analysis.bench_relays import is_token
from analysis.errors import BadBenchFile, BadInput
from analysis.report_page.event_words import event_words
from analysis.rows import Row
from recorder.combined_source import CombinedSource
from recorder.compose import combined_source
from recorder.host_clock import SystemClock
from recorder.ready_command import own_bench
from recorder.relay_places import RelayOptions, own_place, relay_places
from recorder.source import FindsZero, RecordSink, SetsResistance
from recorder.zero_offset import ZeroOffsetAnswer
from tests.mosquitto_broker import Mosquitto, needs_mosquitto
from tests.relaying import RELAYED_BENCH
from tests.riding import FakeLog, FakeSource, exit_status, silence

ROOT = Path(__file__).resolve().parents[1]
TWO_RADIOS = """
[bench]
name = "Quayside bench"

[[meter]]
name = "Alder"
place = "pedals"
addresses = ["F0:00:00:00:00:01", "F0:00:00:00:00:02"]
combine = "sum"

[[sensor]]
name = "Elm"
kind = "cadence"
address = "F0:00:00:00:00:05"

[[relay]]
name = "pocket"
broker = "mqtts://pocket@broker.example"
ca = "ca.crt"
password_file = "secret"
session = "quayside"
sensors = ["Alder"]
"""


def test_a_meter_with_two_radios_is_reached_whole() -> None:
    bench = parse_bench(TWO_RADIOS.encode())
    assert bench.relayed == {"Alder/1": "pocket", "Alder/2": "pocket"}
    assert bench.reached_by("pocket").stream_names == ("Alder/1", "Alder/2")
    assert bench.reached_by(None).stream_names == ("Elm",)


def test_brokers_accounts_and_paths_stay_out_of_what_is_published() -> None:
    bench = parse_bench(TWO_RADIOS.encode())
    published = json.dumps(bench.public.as_dict())
    for private in ("broker.example", "ca.crt", "secret"):
        assert private in json.dumps(bench.as_dict())
        assert private not in published
    assert bench_from_dict(bench.public.as_dict()).relayed == bench.relayed


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "pocket"', 'name = "My Pocket"', "`name` becomes part of a topic; use up to 16"),
        ('name = "pocket"', 'name = "pocket-of-many-trousers"', "use up to 16 of a-z"),
        ('session = "quayside"', 'session = "a/#"', "`session` becomes part of a topic"),
        ('sensors = ["Birch"]', 'sensors = ["Cedar"]', "there is no meter or sensor named `Cedar`"),
        ('sensors = ["Birch"]', "sensors = []", "name what it reaches"),
        ('sensors = ["Birch"]', 'sensors = ["Birch"]\nport = 1', "port"),
        (
            'sensors = ["Birch"]',
            'sensors = ["Birch"]\n[[relay]]\nname = "shed"\nsensors = ["Birch"]',
            "`Birch` is reached by pocket already",
        ),
        (
            'sensors = ["Birch"]',
            'sensors = ["Birch"]\n[[relay]]\nname = "pocket"\nsensors = ["Alder"]',
            "another relay has this name",
        ),
    ],
)
def test_a_contradictory_relay_is_refused_in_a_sentence(old: str, new: str, words: str) -> None:
    with pytest.raises(BadBenchFile, match="bench file") as refused:
        parse_bench(RELAYED_BENCH.replace(old, new).encode())
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("name", ["a", "pocket", "pocket-2", "-a", "a-", "A", "", "a" * 16, "a" * 17, "ä", "a--b"])
def test_the_bench_file_and_the_topics_agree_on_names(name: str) -> None:
    text = RELAYED_BENCH.replace('"pocket"', json.dumps(name))
    if is_token(name, 16):
        assert parse_bench(text.encode()).relay[0].name == name
    else:
        with pytest.raises(BadBenchFile):
            parse_bench(text.encode())


def test_where_a_relay_is_comes_from_its_table_and_options_stand_over_it(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("a long secret\n")
    text = TWO_RADIOS.replace('ca = "ca.crt"\n', "")
    bench = parse_bench(text.encode())
    (place,) = relay_places(bench, tmp_path, {})
    assert str(place.broker.address) == "mqtts://broker.example:8883"
    assert (place.broker.address.user, place.broker.password) == ("pocket", "a long secret")
    assert (place.topics.session, place.topics.relay, place.sensors) == ("quayside", "pocket", ("Alder/1", "Alder/2"))
    options = RelayOptions(broker="mqtt://pocket@127.0.0.1:18830", session="other")
    own = own_place(bench, options, tmp_path, {})
    assert str(own.broker.address) == "mqtt://127.0.0.1:18830"
    assert (own.topics.session, own.sensors) == ("other", ("Alder/1", "Alder/2"))


def test_a_bench_without_relays_is_forwarded_whole() -> None:
    bench = parse_bench(RELAYED_BENCH.partition("[[relay]]")[0].encode())
    place = own_place(bench, RelayOptions("shed", "quayside", "mqtt://localhost"), Path(), {})
    assert (place.topics.relay, place.sensors) == ("shed", ("Alder", "Birch"))


@pytest.mark.parametrize(
    ("more", "options", "words"),
    [
        ("", RelayOptions(), "no broker is stated"),
        ("", RelayOptions("shed", broker="mqtt://localhost"), "has no relay named `shed`"),
        ('[[relay]]\nname = "shed"\nsensors = ["Alder"]', RelayOptions(), "say which this is with --name"),
        ("", RelayOptions(session="A", broker="mqtt://localhost"), "is no name for a session"),
        ("", RelayOptions(broker="http://localhost"), "not the address of a broker"),
    ],
)
def test_a_relay_that_cannot_be_placed_is_refused_in_a_sentence(more: str, options: RelayOptions, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        own_place(parse_bench((RELAYED_BENCH + more).encode()), options, Path(), {})


def test_commands_refuse_bad_input_with_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(RELAYED_BENCH)
    for words in (
        ["relay", str(bench)],
        ["relay", str(bench), "--broker", "mqtt://x:y@localhost"],
        ["relay", str(bench), "--broker", "mqtt://localhost", "--name", "shed"],
        ["relay", str(tmp_path / "none.toml"), "--broker", "mqtt://localhost"],
        ["record", str(bench), "--headless", "--out", str(tmp_path / "rides")],
        ["ready", str(bench), "--relay", "shed"],
    ):
        assert exit_status(*words) == 2
        said = capsys.readouterr().err.strip().splitlines()
        assert said[-1].startswith("wattproof: ")
        assert "Traceback" not in "".join(said)
    assert not (tmp_path / "rides").exists()


def test_the_check_before_a_ride_is_of_what_can_be_reached_from_here(capsys: pytest.CaptureFixture[str]) -> None:
    bench = parse_bench(RELAYED_BENCH.encode())
    assert own_bench(bench, None).stream_names == ("Alder",)
    assert "not checked here, but at their relay" in capsys.readouterr().err
    assert own_bench(bench, "pocket").stream_names == ("Birch",)
    with pytest.raises(BadInput, match="every sensor of this bench file is reached by a relay"):
        own_bench(parse_bench(RELAYED_BENCH.replace('["Birch"]', '["Alder", "Birch"]').encode()), None)


# -- several sources as one ------------------------------------------------------------------------------------


class ZeroableSource(FakeSource):
    async def zero_offset(self, sensor: str) -> ZeroOffsetAnswer:
        return ZeroOffsetAnswer(sensor, "done", "done")


def combined(bench: Bench) -> CombinedSource:
    return CombinedSource(
        ZeroableSource(present=frozenset({"Alder"})), [FakeSource(present=frozenset({"Birch"}))], bench.relayed
    )


async def test_a_relayed_sensor_is_zeroed_at_its_relay_and_others_here() -> None:
    source = combined(parse_bench(RELAYED_BENCH.encode()))
    assert isinstance(source, FindsZero)
    assert isinstance(source, SetsResistance)
    assert source.live() == {"Alder", "Birch"}
    assert (await source.zero_offset("Alder")).outcome == "done"
    answer = await source.zero_offset("Birch")
    assert answer.outcome == "unreachable"
    assert "zero it there with `wattproof ready BENCH --relay pocket`" in answer.words
    assert "sets no load" in str(await source.trainer_values("Birch"))
    assert "sets no load" in await source.ask_trainer("Birch", b"\x00", 1.0)


async def test_a_source_that_fails_is_started_again_and_takes_no_other_along() -> None:
    log = FakeLog()

    class Notes:
        def received(self, *_: object) -> None:
            return

        def happened(self, event: str, sensor: str | None = None, **detail: object) -> None:
            log.rows.append(Row(0, "event", sensor, event=event, detail=detail))

        def identified(self, *_: object) -> None:
            return

    async def fails(_sink: RecordSink) -> None:
        raise ValueError("out of tune")

    healthy, failing = FakeSource(), FakeSource([fails, silence])
    running = asyncio.create_task(CombinedSource(healthy, [failing], {}).run(Notes()))
    await asyncio.sleep(1.2)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert (healthy.starts, failing.starts) == (1, 2)
    assert [event_words(row) for row in log.rows] == [
        "a source failed and was started again: ValueError: out of tune"
    ]


async def test_a_bench_without_relays_needs_no_combination() -> None:
    bench = parse_bench(RELAYED_BENCH.partition("[[relay]]")[0].encode())
    source = combined_source(bench, Path(), SystemClock(), None, {})
    assert not isinstance(source, CombinedSource)


# -- the program -----------------------------------------------------------------------------------------------


@needs_mosquitto
@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_the_two_programs_through_a_broker(tmp_path: Path) -> None:
    """`wattproof relay` and `wattproof record`, each on simulated air of its own, as a person would start them."""
    with Mosquitto(tmp_path) as broker:
        bench = tmp_path / "bench.toml"
        bench.write_text(
            RELAYED_BENCH.replace('sensors = ["Birch"]', f'broker = "{broker.url}"\nsensors = ["Birch"]')
        )
        airs = [await _air(tmp_path / f"air{number}") for number in range(2)]
        try:
            through = [f"unix-client:{place}" for _, place in airs]
            relay = await _program("relay", str(bench), "--through", through[0], "--json")
            words = ("--headless", "--json", "--duration", "7", "--out", str(tmp_path / "rides"))
            record = await _program("record", str(bench), "--through", through[1], *words)
            recorded, _ = await record.communicate()
            relay.send_signal(signal.SIGTERM)
            relayed, said = await relay.communicate()
        finally:
            for air, _ in airs:
                air.terminate()
                await air.wait()
    summary = json.loads(recorded)
    assert summary["sensors"]["Alder"]["rows"] > 0
    assert summary["sensors"]["Birch"]["rows"] > 0
    assert (relay.returncode, json.loads(relayed)["lost"]) == (0, 0)
    assert "a recorder is there, all arrives" in said.decode()


async def _program(*words: str) -> asyncio.subprocess.Process:
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "analysis", *words, stdout=pipe, stderr=pipe, cwd=ROOT
    )


async def _air(place: Path) -> tuple[asyncio.subprocess.Process, Path]:
    air = await _program("simulate", "--at", f"unix-server:{place}")
    async with asyncio.timeout(30):
        while not place.exists():
            await asyncio.sleep(0.05)
    return air, place
