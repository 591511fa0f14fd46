"""A pack of the demo's ride: the same bytes every time, verified, and every edit found and placed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.amendments import amend_path
from analysis.characteristics.cycling_power_measurement import CyclingPowerMeasurement
from analysis.command_line import main
from analysis.errors import BadInput
from analysis.pack.archive_damage import NotAPack, open_archive
from analysis.pack.members import known_name
from analysis.pack.packing import pack_recording
from analysis.pack.terms import terms_from_json
from analysis.pack.verify import verify
from tests.experiments.pack_damage import between_members, try_bytes
from tests.fit_files import UTC_S
from tests.imported_rides import meter_of, uneven_power, write_bench, write_fit
from tests.packs import edited, made_anew, members_of, row_with, short_ride, with_value

AMENDMENT = """[[change]]
utc = 2026-11-25T16:00:00Z
reason = "the rider answered the phone"
do = "exclude"
segment_no = 4
"""


@pytest.fixture(scope="module")
def ride(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return short_ride(tmp_path_factory.mktemp("packed") / "Quayside ride.parquet")


@pytest.fixture(scope="module")
def pack(ride: Path) -> bytes:
    return pack_recording(ride, ride.with_name("ride.evidence.zip")).path.read_bytes()


@pytest.fixture(scope="module")
def demo_pack(demo_recording: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return pack_recording(demo_recording, tmp_path_factory.mktemp("packed") / "demo.zip").path.read_bytes()


def recording_in(pack: bytes) -> str:
    return next(name for name in members_of(pack) if name.startswith("recording/"))


def test_the_pack_of_a_ride_verifies(demo_pack: bytes, demo_recording: Path) -> None:
    found = verify(demo_pack, sha256(demo_pack).hexdigest())
    assert found.verified
    assert (found.damages, found.differences, found.wrong_values, found.notes) == ((), (), (), ())
    assert found.rows is not None
    assert found.rows.values > 50_000
    assert members_of(demo_pack)[recording_in(demo_pack)] == demo_recording.read_bytes()


def test_it_holds_what_the_readme_says(pack: bytes) -> None:
    members = members_of(pack)
    readme = members["README.txt"].decode()
    wanted = ("objections.html", "report/report.html", "figures.json", "bench.toml", "plan.toml", "SHA256SUMS")
    assert all(name in members and name in readme for name in (*wanted, recording_in(pack)))
    assert max(len(line) for line in readme.splitlines()) <= 100


def test_nothing_of_this_machine_or_moment_is_in_it(pack: bytes, ride: Path) -> None:
    contents = {n: c for n, c in members_of(pack).items() if not n.startswith("recording/")}
    for word in (str(ride.parent), str(Path.cwd()), str(Path.home())):
        assert not [n for n, c in contents.items() if word.encode() in c]


def test_the_same_ride_gives_the_same_bytes_whatever_the_surroundings(
    pack: bytes, ride: Path, tmp_path: Path
) -> None:
    moved = Path(shutil.copy(ride, tmp_path / ride.name))
    for number, around in enumerate(
        ({"TZ": "Asia/Tokyo", "PYTHONHASHSEED": "1"}, {"LC_ALL": "C", "PYTHONHASHSEED": "2"})
    ):
        out = tmp_path / f"{number}.zip"
        command = [sys.executable, "-m", "analysis", "pack", str(moved), "--out", str(out)]
        subprocess.run(command, env={**os.environ, **around}, capture_output=True, check=True)
        assert sha256(out.read_bytes()).hexdigest() == sha256(pack).hexdigest()


def test_its_figures_are_those_of_the_report_command(
    pack: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The README tells people to do exactly this."""
    for name, content in members_of(pack).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(content)
    monkeypatch.chdir(tmp_path)
    assert main(["report", recording_in(pack), "--json", "--out", "again"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads((tmp_path / "figures.json").read_text())
    told = {path.name: path.read_bytes() for path in (tmp_path / "report").iterdir()}
    assert {path.name: path.read_bytes() for path in (tmp_path / "again").iterdir()} == told


def test_a_flipped_byte_is_found_wherever_it_lies(demo_pack: bytes) -> None:
    chance, pack = Random(3), demo_pack
    for at in [*(chance.randrange(len(pack)) for _ in range(40)), 0, len(pack) - 1, pack.index(b"PAR1")]:
        changed = bytearray(pack)
        changed[at] ^= 1 << chance.randrange(8)
        damages = open_archive(bytes(changed), known_name).damages
        assert [(d.archive_offset, d.length, d.was) for d in damages] == [(at, 1, pack[at])], at


def test_a_flipped_byte_of_the_recording_is_placed_in_its_row_group_and_column(pack: bytes, ride: Path) -> None:
    changed = bytearray(pack)
    changed[pack.index(ride.read_bytes()) + 2000] ^= 4
    found = verify(bytes(changed))
    assert not found.verified
    (damage,) = found.damages
    assert damage.member == recording_in(pack)
    assert damage.offset == 2000
    assert damage.where.startswith("row group 0 (rows 0 to ")
    assert ", column " in damage.where
    assert found.rows is None


def test_a_flipped_digit_of_a_figure_is_named_as_byte_and_as_figure(pack: bytes) -> None:
    at = pack.index(b'"tolerance_pct": ') + 17
    changed = bytearray(pack)
    changed[at] = ord("9")
    found = verify(bytes(changed))
    assert [(d.member, d.archive_offset) for d in found.damages] == [("figures.json", at)]
    assert [d.place.rpartition(".")[2] for d in found.differences] == ["tolerance_pct"]


EDITS = (
    ("README.txt", b"It proves that", b"It shows that"),
    ("objections.html", b" weaknesses", b" other weaknesses"),
    ("objections.txt", b"WEAKNESS", b"ANSWERED"),
    ("objections.json", b'"word": "weakness"', b'"word": "answered"'),
    ("figures.json", b'"word": "differs"', b'"word": "agrees"'),
    ("report/report.html", b"differs", b"agrees"),
    ("report/verdicts.csv", b"differs", b"agrees"),
    ("bench.toml", b"claim_pct = 1.0", b"claim_pct = 9.0"),
    ("plan.toml", b"seconds = 70.0", b"seconds = 700.0"),
)


def test_edits_with_every_list_mended_are_found_by_computing_again(pack: bytes) -> None:
    forged = pack
    for member, before, after in EDITS:
        forged = edited(forged, member, before, after)
    found = verify(forged)
    assert found.damages == ()
    assert not found.verified
    assert [d.member for d in found.differences] == [member for member, _, _ in EDITS]
    assert all(str(d.packed) != str(d.again) for d in found.differences)


def test_an_edited_figure_is_named_with_both_values(pack: bytes) -> None:
    figures = json.loads(members_of(pack)["figures.json"])
    was = figures["verdicts"]["Cedar"]["judgement"]["away_pct"]
    found = verify(
        edited(pack, "figures.json", f'"away_pct": {was!r}'.encode(), f'"away_pct": {was + 1e-5!r}'.encode())
    )
    (difference,) = found.differences
    assert difference.place == "verdicts.Cedar.judgement.away_pct"
    assert (difference.packed, difference.again) == (was + 1e-5, was)


def test_last_digits_as_another_processor_would_give_them_do_not_count(pack: bytes) -> None:
    was = json.loads(members_of(pack)["figures.json"])["verdicts"]["Cedar"]["judgement"]["away_pct"]
    assert verify(edited(pack, "figures.json", repr(was).encode(), repr(was * (1 + 1e-10)).encode())).verified


@pytest.mark.parametrize("kernels", ["Nehalem", "Haswell"])
def test_a_pack_made_on_another_processor_is_verified(demo_recording: Path, tmp_path: Path, kernels: str) -> None:
    """OpenBLAS is told to add as on that processor, and in two threads (its README names both variables)."""
    out = tmp_path / "elsewhere.zip"
    subprocess.run(
        [sys.executable, "-m", "analysis", "pack", str(demo_recording), "--out", str(out)],
        env={**os.environ, "OPENBLAS_CORETYPE": kernels, "OPENBLAS_NUM_THREADS": "2"},
        check=True,
        capture_output=True,
    )
    assert verify(out.read_bytes()).verified


def test_a_stored_value_that_its_packet_does_not_give_is_named(pack: bytes, ride: Path) -> None:
    members, name, row = members_of(pack), recording_in(pack), row_with(ride, "power_w")
    members[name] = with_value(members[name], "power_w", row, 999)
    found = verify(made_anew(members))
    assert not found.verified
    assert [(w.row, w.column, w.stored) for w in found.wrong_values] == [(row, "power_w", 999)]
    assert "figures.json" in {d.member for d in found.differences}


def test_a_packet_altered_with_all_made_anew_is_told_by_the_published_hash_only(
    pack: bytes, ride: Path, tmp_path: Path
) -> None:
    """What a pack cannot prove: said in its README."""
    row = row_with(ride, "power_w")
    packet = bytes(CyclingPowerMeasurement(power_w=260))
    forged = with_value(with_value(ride.read_bytes(), "payload", row, packet), "power_w", row, 260)
    (tmp_path / ride.name).write_bytes(forged)
    repacked = pack_recording(tmp_path / ride.name).path.read_bytes()
    assert verify(repacked).verified
    assert not verify(repacked, sha256(pack).hexdigest()).verified


def test_a_pack_of_another_version_is_not_wholly_verified_and_says_so(pack: bytes) -> None:
    members = members_of(pack)
    terms = terms_from_json(members["pack.json"])
    members["pack.json"] = msgspec.structs.replace(terms, product_version="0.0.9").to_json()
    found = verify(made_anew(members))
    assert (found.verified, found.differences, found.damages) == (False, (), ())
    assert "report/report.html" in found.not_compared
    assert "wattproof 0.0.9" in found.notes[0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"wattproof_pack": 2}, "pack.json cannot be read"),
        ({"recording": "report/report.html"}, "names a recording that is not in it"),
        ({"recording": "recording/other.parquet"}, "names a recording that is not in it"),
        ({"amendments": "recording/quayside-ride.parquet"}, "amendments of another recording"),
        ({"unknown": 1, "product_version": 3}, "pack.json cannot be read"),
    ],
)
def test_terms_that_do_not_fit_are_refused(pack: bytes, change: dict[str, Any], words: str) -> None:
    members = members_of(pack)
    members["pack.json"] = json.dumps({**json.loads(members["pack.json"]), **change}).encode()
    with pytest.raises(BadInput, match=words):
        verify(made_anew(members))


def test_a_recording_that_would_fill_the_memory_is_refused(pack: bytes) -> None:
    """Thirty million rows of nothing are a few hundred bytes."""
    out = pa.BufferOutputStream()
    pq.write_table(pa.table({"power_w": pa.nulls(30_000_000, pa.int8())}), out)
    members = members_of(pack)
    members[recording_in(pack)] = bytes(out.getvalue().to_pybytes())
    assert len(members[recording_in(pack)]) < 100_000
    with pytest.raises(NotAPack, match="more than any ride"):
        verify(made_anew(members))


def test_a_pack_without_its_terms_is_none(pack: bytes) -> None:
    members = members_of(pack)
    del members["pack.json"]
    with pytest.raises(NotAPack, match=r"pack\.json"):
        verify(made_anew(members))


def test_missing_and_further_members_are_told(pack: bytes) -> None:
    members = members_of(pack)
    del members["objections.txt"]
    members["report/more.csv"] = b"a,b\r\n"
    found = verify(made_anew(members))
    assert {(d.member, d.packed) for d in found.differences} == {
        ("objections.txt", "(nothing)"),
        ("report/more.csv", "a member"),
    }


def test_amendments_come_along_and_are_taken_into_account(ride: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copy(ride, tmp_path / "ride.parquet"))
    amend_path(copy).write_text(AMENDMENT)
    pack = pack_recording(copy).path.read_bytes()
    assert members_of(pack)["recording/ride.amend.toml"].decode() == AMENDMENT
    assert verify(pack).verified
    assert b"the rider answered the phone" in members_of(pack)["objections.txt"].replace(b"\n    ", b" ")
    without = members_of(pack)
    del without["recording/ride.amend.toml"]
    with pytest.raises(NotAPack):
        verify(made_anew(without))


def test_another_reference_is_kept_and_used_again(ride: Path, tmp_path: Path) -> None:
    pack = pack_recording(ride, tmp_path / "b.zip", reference="Birch").path.read_bytes()
    assert json.loads(members_of(pack)["figures.json"])["setup"]["reference"] == "Birch"
    assert b"--reference Birch" in members_of(pack)["README.txt"]
    assert verify(pack).verified


def test_the_command_packs_verifies_and_answers_by_its_status(
    ride: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "ride.evidence.zip"
    assert main(["pack", str(ride), "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sha256"] == sha256(out.read_bytes()).hexdigest()
    assert sum(told["objections"].values()) > 20
    assert main(["pack", "--verify", str(out), "--expect", told["sha256"]]) == 0
    assert "verified" in capsys.readouterr().out
    assert main(["pack", "--verify", str(out), "--expect", "0" * 64, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["verified"] is False
    out.write_bytes(edited(out.read_bytes(), "figures.json", b'"word": "differs"', b'"word": "agrees"'))
    assert main(["pack", "--verify", str(out)]) == 1
    assert "differs: figures.json, " in capsys.readouterr().out
    assert main(["pack", "--verify", str(ride)]) == 2
    assert "cannot be verified" in capsys.readouterr().err


def test_packing_again_is_welcome_and_overwriting_is_not(
    ride: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "kept.zip"
    out.write_bytes(b"somebody's own")
    assert main(["pack", str(ride), "--out", str(out)]) == 2
    assert "exists and holds something else" in capsys.readouterr().err
    assert out.read_bytes() == b"somebody's own"
    assert [p.name for p in tmp_path.iterdir()] == ["kept.zip"]
    assert main(["pack", str(ride), "--out", str(ride.with_name("ride.evidence.zip"))]) == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "give either a recording or --verify"),
        (("x.parquet", "--verify", "y.zip"), "give either"),
        (("--verify", "y.zip", "--out", "z.zip"), "--verify takes nothing but"),
        (("--verify", "y.zip", "--expect", "abc"), "64 digits"),
        (("x.parquet", "--expect", "0" * 64), "--expect goes with --verify"),
    ],
)
def test_bad_use_is_told(arguments: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["pack", *arguments])
    assert left.value.code == 2
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [("none.parquet",), ("--verify", "none.zip"), ("--verify", ".")])
def test_files_that_are_not_there_are_told_in_a_sentence(
    arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["pack", *arguments]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_an_original_file_that_the_recording_does_not_name_is_refused(
    ride: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stranger = tmp_path / "alder.fit"
    stranger.write_bytes(b"x")
    assert main(["pack", str(ride), "--original", str(stranger), "--out", str(tmp_path / "o.zip")]) == 2
    assert "not a file that the recording was made from" in capsys.readouterr().err


def test_an_imported_ride_is_packed_with_the_files_it_came_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    power, cadence = uneven_power(700)
    files = [
        write_fit(tmp_path / "alder.fit", meter_of(power, 1.0, 1), cadence),
        write_fit(tmp_path / "birch.fit", meter_of(power, 0.99, 2), cadence, UTC_S + 3),
    ]
    arguments = [f"Alder={files[0]}", f"Birch={files[1]}", "--bench", str(write_bench(tmp_path))]
    assert main(["import", *arguments, "--out", str(tmp_path)]) == 0
    recording = next(tmp_path.glob("*.parquet"))
    pack = pack_recording(recording, original_files=files).path.read_bytes()
    members = members_of(pack)
    assert members["originals/02-birch.fit"] == files[1].read_bytes()
    assert b"put on Alder's by what both recorded" in members["objections.json"]
    assert verify(pack).verified
    members["originals/02-birch.fit"] += b"\0"
    found = verify(made_anew(members))
    assert [(d.member, d.packed) for d in found.differences] == [
        ("originals/02-birch.fit", "not the file that the recording names for Birch")
    ]


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_flipped_byte_is_named_at_thousands_of_places(demo_pack: bytes) -> None:
    chance = Random(11)
    anywhere = [chance.randrange(len(demo_pack)) for _ in range(3000)]
    changed, found, unnamed = try_bytes(demo_pack, [*anywhere, *between_members(demo_pack)])
    assert (found, unnamed) == (changed, [])
