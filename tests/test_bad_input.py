"""Bad use and bad input through the real command line: status 2, one sentence, no traceback, nothing written."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.command_line import main
from analysis.recording_schema import METADATA_DIGEST_KEY, METADATA_KEY, SCHEMA_MAJOR, metadata_digest
from tests.riding import ONE_METER, Journal, exit_status

PLAN = '[plan]\nname = "short"\n[[step]]\nname = "easy"\nkind = "free"\nseconds = 10\n'


@pytest.fixture(autouse=True)
def no_bluetooth(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test here may reach a real adapter, whichever machine it runs on."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The working folder: good and bad files in it, and after the test not one more."""
    monkeypatch.chdir(tmp_path)
    make_files(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    yield tmp_path
    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert after == before
    assert not (tmp_path / "rides").exists()


def make_files(folder: Path) -> None:
    (folder / "bench.toml").write_text(ONE_METER)
    (folder / "unknown-key.toml").write_text(ONE_METER + 'colour = "green"\n')
    (folder / "no-toml.toml").write_text("[bench\nname = 3")
    (folder / "binary.toml").write_bytes(b"\xff\xfe\x00")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "bad-plan.toml").write_text(PLAN.replace("seconds = 10", "seconds = -10"))
    (folder / "text.parquet").write_text("not a recording")
    (folder / "empty.parquet").write_bytes(b"")
    pq.write_table(pa.table({"a": [1]}), folder / "foreign.parquet")
    make_recordings(folder)
    Journal(20).put(folder, "left.journal")


def make_recordings(folder: Path) -> None:
    made = folder / "made"
    made.mkdir()
    Journal(300).end().put(made)
    assert main(["recover", str(made)]) == 0
    good = made / "ride.parquet"
    table = pq.read_table(good)
    metadata = json.loads(table.schema.metadata[METADATA_KEY])
    metadata["schema_major"] = SCHEMA_MAJOR + 1
    text = json.dumps(metadata).encode()
    newer = table.replace_schema_metadata({METADATA_KEY: text, METADATA_DIGEST_KEY: metadata_digest(text)})
    pq.write_table(newer, folder / "newer.parquet")
    data = bytearray(good.read_bytes())
    data[len(data) // 3] ^= 0xFF
    (folder / "damaged.parquet").write_bytes(data)
    (folder / "cut.parquet").write_bytes(good.read_bytes()[: len(data) // 2])
    shutil.copy(good, folder / "good.parquet")


CASES: dict[str, tuple[list[str], str]] = {
    "no such command": (["ride"], "there is no command `ride`"),
    "a command of strange characters": (["\x1b[31mred"], "there is no command"),
    "unknown option": (["record", "bench.toml", "--fast"], "--fast"),
    "no bench named": (["record"], "bench"),
    "missing bench": (["record", "absent.toml"], "absent.toml"),
    "a folder as bench": (["record", "made"], "made"),
    "unknown key in the bench": (["record", "unknown-key.toml", "--out", "rides"], "colour"),
    "no TOML": (["record", "no-toml.toml"], "no-toml.toml"),
    "a binary bench": (["record", "binary.toml"], "binary.toml"),
    "missing plan": (["record", "bench.toml", "--plan", "absent.toml", "--out", "rides"], "absent.toml"),
    "bad plan": (["record", "bench.toml", "--plan", "bad-plan.toml", "--out", "rides"], "bad-plan.toml"),
    "negative duration": (["record", "bench.toml", "--duration", "-5"], "above 0"),
    "duration of no number": (["record", "bench.toml", "--duration", "nan"], "above 0"),
    "duration of a word": (["record", "bench.toml", "--duration", "long"], "long"),
    "no adapter": (["record", "bench.toml", "--duration", "1", "--out", "rides"], "no Bluetooth service"),
    "no adapter to scan": (["scan", "--seconds", "1"], "no Bluetooth service"),
    "nobody at the socket": (
        ["record", "bench.toml", "--out", "rides", "--through", "unix-client:absent"],
        "no simulated radio answers at `unix-client:absent`",
    ),
    "no transport": (["record", "bench.toml", "--out", "rides", "--through", "serial:x"], "tcp-client:HOST:PORT"),
    "a port of no number": (
        ["record", "bench.toml", "--out", "rides", "--through", "tcp-client:nowhere"],
        "tcp-client:nowhere",
    ),
    "report on nothing": (["report", "absent.parquet"], "absent.parquet"),
    "report on a folder": (["report", "made"], "made"),
    "report on text": (["report", "text.parquet"], "not a readable Parquet file (Parquet magic bytes"),
    "report on an empty file": (["report", "empty.parquet"], "empty.parquet"),
    "report on a foreign file": (["report", "foreign.parquet"], "not a wattproof recording"),
    "report on a journal": (["report", "left.journal"], "wattproof recover"),
    "report on a newer recording": (["report", "newer.parquet"], "newer"),
    "report on a damaged recording": (["report", "damaged.parquet"], "damaged.parquet"),
    "report on half a recording": (["report", "cut.parquet"], "cut.parquet"),
    "report against nobody": (["report", "good.parquet", "--reference", "Rowan"], "Rowan"),
    "recover nothing": (["recover", "absent"], "there is no absent"),
    "recover a journal in no folder": (["recover", "rides/x.journal"], "there is no rides/x.journal"),
    "demo into a file": (["demo", "--out", "bench.toml"], "nothing can be written"),
    "demo in no folder": (["demo", "--out", "absent/demo"], "is missing"),
    "demo with the truth nowhere": (["demo", "--out", "rides", "--truth", "absent/truth.json"], "absent/truth.json"),
    "demo at no speed": (["demo", "--speed", "0"], "above 0"),
    "simulate nothing": (["simulate", "--from", "absent.parquet"], "absent.parquet"),
    "simulate on no transport": (["simulate", "--at", "serial:x", "--duration", "1"], "serial:x"),
    "simulate on no port": (["simulate", "--at", "tcp-server:127.0.0.1:99999", "--duration", "1"], "HOST:PORT"),
    "record through no port": (["record", "bench.toml", "--through", "tcp-client:127.0.0.1:99999"], "HOST:PORT"),
    "record through a word": (["record", "bench.toml", "--through", "tcp-client:somewhere"], "HOST:PORT"),
    "simulate with the truth nowhere": (
        ["simulate", "--duration", "1", "--truth", "absent/truth.json"],
        "absent/truth.json",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_bad_use_is_one_sentence_and_status_2(case: str, place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words, expected = CASES[case]
    capsys.readouterr()
    assert exit_status(*words) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    sentence = [line for line in printed.err.splitlines() if line.startswith("wattproof")]
    assert len(sentence) == 1
    assert expected in sentence[0]
    assert "Traceback" not in printed.err
    assert "\x1b" not in printed.err
    assert "corrupted or this is)" not in printed.err  # half a sentence of the library's


def test_no_flipped_bit_gives_a_traceback_or_another_figure(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pages have checksums, and so have the names and metadata that we take from the footer."""
    good = place / "good.parquet"
    data = good.read_bytes()
    assert main(["report", str(good)]) == 0
    figures = capsys.readouterr().out
    flipped = place / "made" / "ride.parquet"
    original = flipped.read_bytes()
    chance = random.Random(3)
    refused = 0
    for _ in range(400):
        broken = bytearray(data)
        broken[chance.randrange(len(broken))] ^= 1 << chance.randrange(8)
        flipped.write_bytes(broken)
        status = main(["report", str(flipped)])
        assert status in (0, 2)
        refused += status == 2
        assert capsys.readouterr().out == (figures if status == 0 else "")
    flipped.write_bytes(original)
    assert refused > 100


def test_the_same_words_with_good_files_are_taken(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the cases above refuse is refused for its fault alone."""
    assert exit_status("report", "good.parquet", "--reference", "Alder") == 0
    assert "whole ride" in capsys.readouterr().out
