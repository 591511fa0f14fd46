"""Looking around, and the bench file that comes of it; the service in between is fake, the library is real."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import parse_bench
from analysis.command_line import main
from recorder.scan import Seen, guess_kind, scan, starter_bench
from tests.bluez_bench import fake_bluez, needs_fake_bluez, recording, ride, sensor, target, until

texts = st.text(max_size=80) | st.sampled_from(["", "/", 'a"b\\c\n', "\x1b[2J", "Alder", "x" * 40, "\x7f", "#]"])
addresses = st.integers(0, 0xFFFF).map(lambda n: f"F0:00:00:00:{n >> 8:02X}:{n & 255:02X}")
kinds = st.sampled_from([("1818",), ("1816",), ("1818", "1826"), ("181a",), ()])


@given(st.lists(st.tuples(addresses, texts, kinds), min_size=1, max_size=8, unique_by=lambda s: s[0]), texts)
def test_a_starter_bench_is_a_bench_file_whatever_the_sensors_call_themselves(
    found: list[tuple[str, str, tuple[str, ...]]], name: str
) -> None:
    seen = [Seen(a, n or None, s, -60, guess_kind(set(s))) for a, n, s in found]
    text = starter_bench(seen)
    bench = parse_bench(text.encode())
    assert sorted(r.address or "" for r in (*bench.meter, *bench.sensor)) == sorted(s.address for s in seen)
    assert tomllib.loads(starter_bench(seen, name))["bench"]["name"] is not None


def test_kinds_are_guessed_from_the_services() -> None:
    assert guess_kind({"1816", "1818", "180f"}) == "meter"
    assert guess_kind({"1816"}) == "cadence"
    assert guess_kind({"180f"}) is None


class TestOnBluez:
    pytestmark = needs_fake_bluez

    async def test_sensors_in_range_and_those_already_connected_are_listed(self, tmp_path: Path) -> None:
        scenario = (
            ride("launch")
            + sensor("Alder", 1, "late_name = true\nrssi = -80")
            + sensor("Birch", 2, "rssi = -40", '"1816", "180A"')
            + sensor("Cedar", 3)
        )
        async with fake_bluez(tmp_path, scenario), recording([target("Cedar", 3)]) as (source, _):
            await until(source.live)
            seen = await scan(1.0)
        assert [(s.name, s.kind, s.connected) for s in seen] == [
            ("BIRCH 0002", "cadence", False),
            ("ALDER 0001", "meter", False),
            ("CEDAR 0003", None, True),
        ]
        assert seen[0].services == ("1816",)
        assert -60 < (seen[0].rssi_dbm or 0) < -20
        assert seen[2].rssi_dbm is None


def test_a_bench_file_that_is_there_is_refused_before_anybody_listens(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "bench.toml"
    taken.write_text("mine")
    for place, words in ((taken, "exists already"), (tmp_path / "nowhere" / "bench.toml", "no such folder")):
        # A radio that does not exist would be refused next.
        assert main(["scan", "--bench", str(place), "--through", "nothing"]) == 2
        said = capsys.readouterr()
        assert words in said.err
        assert said.err.count("\n") == 1
    assert taken.read_text() == "mine"
