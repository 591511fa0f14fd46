"""A ledger as a folder: what is taken in and what is not, crashes, rebuilding, two writers, other file systems."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pyarrow._fs as arrow_files
import pyarrow.fs
import pytest

from analysis.command_line import main
from analysis.errors import BadInput
from analysis.judge import judge_recording
from analysis.ledger.compare_rides import known_rides
from analysis.ledger.ledger_folder import INDEX, RECORDINGS, RESULTS, UNFINISHED, LedgerFolder, open_ledger
from analysis.ledger.ledger_index import NotOurs, ResultsFile, write_index
from analysis.ledger.results_schema import FIELDS, METER, RESULTS_KEY, RIDE, SCHEMA, SEGMENT
from analysis.ledger.taking_in import add_recording, finish_adding, rebuild
from analysis.recording_reader import read_recording
from tests.ledger_rides import (
    Against,
    Died,
    DyingFolder,
    bench_table,
    digest_of,
    ledger_of,
    made_results,
    write_ride,
)

ROOT = Path(__file__).resolve().parents[1]
KINDS = (RIDE, METER, SEGMENT)


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three rides on three days; treat them as read-only."""
    folder = tmp_path_factory.mktemp("rides")
    return [
        write_ride(folder / f"ride {n}.parquet", session=f"{n:032x}", day=7.0 * n, seed=n, meters=("Alder", "Birch"))
        for n in range(1, 4)
    ]


@pytest.fixture
def folder(tmp_path: Path) -> LedgerFolder:
    return open_ledger(str(tmp_path / "ledger"), make=True)


def everything(folder: LedgerFolder) -> dict[str, pa.Table]:
    """All rows of a ledger in a fixed order."""
    snapshot = folder.snapshot()
    keys = [(name, "ascending") for name in ("session", "meter", "segment_no")]
    return {kind: snapshot.rows(kind, list(FIELDS)).sort_by(keys) for kind in KINDS}


# -- taking in -------------------------------------------------------------------------------------------------


def test_a_recording_is_copied_and_its_judged_figures_are_kept(folder: LedgerFolder, rides: list[Path]) -> None:
    before = rides[0].read_bytes()
    added = add_recording(folder, rides[0])
    assert (added.state, added.units) == ("added", ("alder-1", "birch-1"))
    assert rides[0].read_bytes() == before
    assert folder.root is not None
    (name,) = folder.recording_names()
    assert (folder.root / RECORDINGS / name).read_bytes() == before

    judged = judge_recording(read_recording(rides[0]))
    kept = everything(folder)
    birch = next(row for row in kept[METER].to_pylist() if row["unit"] == "birch-1")
    verdict = judged.verdicts["Birch"]
    assert (birch["verdict"], birch["away_pct"]) == (verdict.judgement.word, verdict.judgement.away_pct)
    assert (birch["serial"], birch["firmware"], birch["reference_unit"]) == ("Birch 0042", "1.0", "alder-1")
    alder = next(row for row in kept[METER].to_pylist() if row["unit"] == "alder-1")
    assert (alder["battery_first_pct"], alder["battery_last_pct"]) == (90.0, 88.0)
    assert [z["offset_nm"] for z in alder["zero_offsets"]] == [25.4]
    assert [(p["name"], p["mass_g"], p["price"]) for p in alder["parts"]] == [("pedal pair", 326.0, 620.0)]
    steps = [row for row in kept[SEGMENT].to_pylist() if row["unit"] == "birch-1"]
    assert [s["away_pct"] for s in steps] == [r.comparisons["Birch"].away_pct.mean for r in judged.segments]
    assert [s["mean_power_w"] for s in steps] == [r.meters["Birch"].mean_power_w for r in judged.segments]


def test_the_same_recording_again_is_said_and_not_doubled(
    folder: LedgerFolder, rides: list[Path], tmp_path: Path
) -> None:
    add_recording(folder, rides[0])
    renamed = tmp_path / "another name.parquet"
    shutil.copy(rides[0], renamed)
    assert add_recording(folder, renamed).state == "already there"
    again = write_ride(tmp_path / "other.parquet", session=f"{1:032x}", seed=9)
    other = add_recording(folder, again)
    assert other.state == "other file of a known session"
    assert "its results stand" in other.words
    assert len(known_rides(folder.snapshot())) == len(folder.recording_names()) == 1


def test_a_changed_serial_asks(folder: LedgerFolder, rides: list[Path], tmp_path: Path) -> None:
    add_recording(folder, rides[0])
    changed = write_ride(tmp_path / "r.parquet", session="f" * 32, sensors={"Birch": {"serial": "other"}})
    asked = add_recording(folder, changed)
    assert asked.state == "serial changed"
    assert "birch-1 gives its serial as other, and gave it as Birch 0042 before" in asked.words
    assert len(folder.recording_names()) == 1
    assert add_recording(folder, changed, accept_serial=True).state == "added"
    third = write_ride(tmp_path / "t.parquet", session="e" * 32, sensors={"Birch": {"serial": "other"}})
    assert add_recording(folder, third).state == "added"  # it is known by now


def test_a_damaged_recording_is_named_and_nothing_of_it_stays(
    folder: LedgerFolder, rides: list[Path], tmp_path: Path
) -> None:
    damaged = tmp_path / "damaged.parquet"
    damaged.write_bytes(rides[0].read_bytes()[:-200])
    found = add_recording(folder, damaged)
    assert found.state == "not usable"
    assert "damaged.parquet" in found.words
    assert add_recording(folder, tmp_path / "missing.parquet").state == "not usable"
    assert folder.recording_names() == []


def test_two_meters_of_one_unit_are_refused(folder: LedgerFolder, tmp_path: Path) -> None:
    bench = bench_table(("Alder", "Birch"))
    bench["meter"][1]["unit"] = "alder-1"
    found = add_recording(folder, write_ride(tmp_path / "r.parquet", bench=bench))
    assert found.state == "not usable"
    assert "gives the unit alder-1 to two meters" in found.words


def test_a_meter_without_a_unit_is_kept_with_its_ride_and_said(folder: LedgerFolder, tmp_path: Path) -> None:
    bench = bench_table(("Alder", "Birch"))
    del bench["meter"][1]["unit"]
    found = add_recording(folder, write_ride(tmp_path / "r.parquet", bench=bench))
    assert (found.state, found.units) == ("added", ("alder-1",))
    assert "Birch without `unit`" in found.words
    assert everything(folder)[METER]["meter"].to_pylist() == ["Alder", "Birch"]


def test_text_from_a_recording_stays_harmless_and_a_session_cannot_leave_the_folder(
    folder: LedgerFolder, tmp_path: Path
) -> None:
    hostile = write_ride(
        tmp_path / "r.parquet", session="../../etc/x\x1b[2J", sensors={"Birch": {"serial": "\x1b]0;gone\x07\u202e"}}
    )
    assert add_recording(folder, hostile).state == "added"
    (ride,) = known_rides(folder.snapshot())
    assert ride["session"].isalnum()
    assert "\x1b" not in str(everything(folder)[METER].to_pylist())


# -- crashes, damage, rebuilding -------------------------------------------------------------------------------


def test_index_and_results_deleted_are_rebuilt_identical(folder: LedgerFolder, rides: list[Path]) -> None:
    for ride in rides:
        add_recording(folder, ride)
    assert folder.root is not None
    before = everything(folder)
    assert rebuild(folder).rides == 3
    index = (folder.root / INDEX).read_bytes()
    assert everything(folder) == before
    (folder.root / INDEX).unlink()
    assert everything(folder) == before
    shutil.rmtree(folder.root / RESULTS)
    made = rebuild(folder)
    assert (made.rides, made.judged, made.skipped) == (3, 3, ())
    assert everything(folder) == before
    assert (folder.root / INDEX).read_bytes() == index


def test_a_crash_at_any_write_leaves_a_ledger_that_rebuilds(rides: list[Path], tmp_path: Path) -> None:
    whole = open_ledger(str(tmp_path / "whole"), make=True)
    add_recording(whole, rides[0])
    add_recording(whole, rides[1])
    rebuild(whole)
    wanted = everything(whole)
    deaths = 0
    for survives in range(7):
        folder = open_ledger(str(tmp_path / f"crash {survives}"), make=True)
        add_recording(folder, rides[0])
        try:
            dying = DyingFolder(folder.files, folder.root, [survives])
            add_recording(dying, rides[1])
            rebuild(dying)
        except Died:
            deaths += 1
        sessions = [r["session"] for r in known_rides(folder.snapshot())]
        assert f"{1:032x}" in sessions  # what was in before is never lost
        add_recording(folder, rides[1])
        assert rebuild(folder).rides == 2
        assert everything(folder) == wanted
        assert list((tmp_path / f"crash {survives}" / UNFINISHED).iterdir()) == []
    assert deaths == 6  # recording, results and index, each written beside and then renamed


def test_a_copy_without_results_after_a_crash_is_taken_up(folder: LedgerFolder, rides: list[Path]) -> None:
    add_recording(folder, rides[0])
    (digest,) = folder.keys()
    folder.remove_results(digest)
    assert known_rides(folder.snapshot()) == []
    assert add_recording(folder, rides[0]).state == "added"
    assert len(folder.recording_names()) == 1


def test_a_recording_damaged_later_is_named_and_skipped(
    folder: LedgerFolder, rides: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    for ride in rides:
        add_recording(folder, ride)
    assert folder.root is not None
    damaged = folder.root / RECORDINGS / folder.recording_names()[1]
    data = bytearray(damaged.read_bytes())
    data[len(data) // 2] ^= 1
    damaged.write_bytes(data)
    (folder.root / RECORDINGS / "stranger.parquet").write_bytes(b"not ours")
    assert main(["ledger", "list", "--rebuild", "--ledger", str(folder.root)]) == 2
    printed = capsys.readouterr()
    assert f"skipped {damaged.name}: {damaged.name} is damaged" in printed.err
    assert "skipped stranger.parquet" in printed.err
    assert printed.out.splitlines()[-1].startswith("2 rides")


def test_damaged_results_and_a_damaged_index_are_named_or_done_without(
    folder: LedgerFolder, rides: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    for ride in rides:
        add_recording(folder, ride)
    assert folder.root is not None
    before = everything(folder)
    (folder.root / INDEX).write_bytes(b"no index")
    assert everything(folder) == before
    results = sorted((folder.root / RESULTS).iterdir())[0]
    results.write_bytes(b"no results")
    assert main(["ledger", "list", "--ledger", str(folder.root)]) == 0
    printed = capsys.readouterr()
    assert f"the results of the recording {results.stem[:16]} cannot be read" in printed.err
    assert printed.out.splitlines()[-1].startswith("2 rides")
    assert rebuild(folder).judged == 1
    assert everything(folder) == before


def test_results_of_another_version_are_not_mixed_in(folder: LedgerFolder, rides: list[Path]) -> None:
    add_recording(folder, rides[0])
    (digest,) = folder.keys()
    table = pa.table(folder.results_file(digest).rows(RIDE, ["session"]))
    path = Path(str(folder.root)) / RESULTS / f"{digest}.parquet"
    pa.parquet.write_table(table.replace_schema_metadata({RESULTS_KEY: b"99"}), path)
    with pytest.raises(NotOurs):
        ResultsFile(str(path))
    assert folder.snapshot().unreadable == (digest,)
    assert rebuild(folder).judged == 1


def test_a_recording_that_changes_while_it_is_copied_is_refused(folder: LedgerFolder, rides: list[Path]) -> None:
    with folder.writing(), pytest.raises(BadInput, match="changed while it was copied"):
        folder.put_recording(rides[0], "0" * 64, "ride.parquet")
    assert folder.recording_names() == []


def test_two_processes_adding_at_once_lose_nothing(rides: list[Path], tmp_path: Path) -> None:
    place = str(tmp_path / "ledger")
    command = [sys.executable, "-m", "analysis", "ledger", "add", "--ledger", place]
    both = [subprocess.Popen([*command, *map(str, some)], cwd=ROOT) for some in (rides[:2], [rides[2], rides[1]])]
    assert [process.wait() for process in both] == [0, 0]
    folder = open_ledger(place)
    assert len(known_rides(folder.snapshot())) == len(folder.recording_names()) == 3
    assert folder.snapshot().unreadable == ()


# -- the index -------------------------------------------------------------------------------------------------


def some_results(count: int) -> list[pa.Table]:
    return [
        made_results(f"s{n:03d}", n, f"u{n % 5}", [Against(f"v{n % 7}", [0.1 * n, 0.2, 0.3])]) for n in range(count)
    ]


def test_the_index_answers_as_the_single_files_do(tmp_path: Path) -> None:
    folder = ledger_of(tmp_path / "l", some_results(40))
    before = everything(folder)
    one = folder.snapshot().rows(METER, ["session", "away_pct"], unit="v3").sort_by("session")
    finish_adding(folder)
    snapshot = folder.snapshot()
    assert (snapshot.beside, len(snapshot.covered)) == (0, 40)
    assert everything(folder) == before
    assert snapshot.rows(METER, ["session", "away_pct"], unit="v3").sort_by("session") == one
    assert one.num_rows > 0
    with folder.writing():
        folder.put_results(digest_of("new"), made_results("new", 99, "u0", [Against("v9", [1.0, 2.0])]))
        folder.remove_results(digest_of("s003"))
    later = folder.snapshot()
    sessions = later.rows(RIDE, ["session"])["session"].to_pylist()
    assert set(sessions) == {f"s{n:03d}" for n in range(40) if n != 3} | {"new"}
    assert later.rows(METER, ["session"], unit="v9")["session"].to_pylist() == ["new"]
    assert "s003" not in later.rows(SEGMENT, ["session"])["session"].to_pylist()


def test_an_index_merged_in_small_portions_holds_the_same_in_the_same_order(tmp_path: Path) -> None:
    folder = ledger_of(tmp_path / "l", some_results(40))
    finish_adding(folder)
    nameless = made_results("nameless", 3.5, "u0", [Against("x", [1.0], facts={"unit": None})])
    with folder.writing():
        folder.put_results(digest_of("nameless"), nameless)
    sources = folder.snapshot().sources
    whole, parted = tmp_path / "whole.parquet", tmp_path / "parted.parquet"
    write_index(sources, str(whole))
    write_index(sources, str(parted), rows_at_once=5)
    for kind in KINDS:
        assert ResultsFile(str(parted)).rows(kind, list(FIELDS)) == ResultsFile(str(whole)).rows(kind, list(FIELDS))
    groups = [pa.parquet.ParquetFile(path).metadata.num_row_groups for path in (whole, parted)]
    assert groups[0] == 5  # meters and segments, each with and without a unit, and rides
    assert groups[1] > 12
    assert ResultsFile(str(whole)).rows(RIDE, ["session"]).num_rows == 41


def test_a_snapshot_does_not_change_under_a_writer(tmp_path: Path) -> None:
    folder = ledger_of(tmp_path / "l", some_results(40))
    finish_adding(folder)
    snapshot = folder.snapshot()
    with folder.writing():
        folder.put_results(digest_of("new"), made_results("new", 99, "u0", []))
        folder.write_index(replace(folder.snapshot(), index=None))
    assert snapshot.rows(RIDE, ["session"]).num_rows == 40
    assert folder.snapshot().rows(RIDE, ["session"]).num_rows == 41


def test_only_the_row_groups_that_may_hold_a_unit_are_read(tmp_path: Path) -> None:
    tables = some_results(60)
    path = tmp_path / "sorted.parquet"
    rows = pa.concat_tables(tables)
    rows = rows.filter(pa.compute.equal(rows["row"], METER)).sort_by("unit").replace_schema_metadata(SCHEMA.metadata)
    pa.parquet.write_table(rows, path, row_group_size=10)
    file = ResultsFile(str(path))
    groups = file._groups({"row": METER, "unit": "v3"})
    assert 0 < len(groups) < 12 / 2
    found = file.rows(METER, ["session", "unit"], {"unit": "v3"})
    assert found.num_rows == sum(u == "v3" for u in rows["unit"].to_pylist())
    assert file._groups({"row": RIDE}) == []
    assert file._groups({"row": METER, "reference_unit": "nobody"}) == []


# -- elsewhere than on a disk ----------------------------------------------------------------------------------


def elsewhere(tmp_path: Path, kind: str) -> LedgerFolder:
    if kind == "sub-tree":
        (tmp_path / "store").mkdir()
        return LedgerFolder(pyarrow.fs.SubTreeFileSystem(str(tmp_path / "store"), pyarrow.fs.LocalFileSystem()))
    return LedgerFolder(arrow_files._MockFileSystem())  # in memory only


@pytest.mark.parametrize("kind", ["sub-tree", "in memory"])
def test_the_same_ledger_on_another_file_system(tmp_path: Path, rides: list[Path], kind: str) -> None:
    folder = elsewhere(tmp_path, kind)
    assert [add_recording(folder, ride).state for ride in rides] == ["added"] * 3
    assert add_recording(folder, rides[0]).state == "already there"
    before = everything(folder)
    folder.remove_results(sorted(folder.keys())[0])
    made = rebuild(folder)
    assert (made.rides, made.judged, made.skipped) == (3, 1, ())
    assert everything(folder) == before
    assert folder.snapshot().beside == 0


def test_an_address_opens_a_ledger(rides: list[Path], tmp_path: Path) -> None:
    here = open_ledger(str(tmp_path / "l"), make=True)
    add_recording(here, rides[0])
    there = open_ledger((tmp_path / "l").as_uri())
    assert there.root is None
    assert everything(there) == everything(here)
    with pytest.raises(BadInput, match="cannot be opened"):
        open_ledger("nowhere://bench")


# -- the command -----------------------------------------------------------------------------------------------


def test_add_prints_what_became_of_each_file(
    rides: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATTPROOF_LEDGER", str(tmp_path / "l"))
    damaged = tmp_path / "damaged.parquet"
    damaged.write_bytes(b"PAR1")
    assert main(["ledger", "add", "--json", str(rides[0]), str(damaged), str(rides[1])]) == 2
    told = json.loads(capsys.readouterr().out)
    assert [f["state"] for f in told["files"]] == ["added", "not usable", "added"]
    assert main(["ledger", "add", str(rides[0])]) == 0
    assert "is in the ledger already" in capsys.readouterr().out
    assert main(["ledger", "list", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [r["session"] for r in listed["rides"]] == [f"{n:032x}" for n in (1, 2)]
    assert listed["units"] == ["alder-1", "birch-1"]


def test_a_changed_serial_is_a_no(rides: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = ["--ledger", str(tmp_path / "l")]
    changed = write_ride(tmp_path / "r.parquet", session="f" * 32, sensors={"Birch": {"serial": "other"}})
    assert main(["ledger", "add", str(rides[0]), *place]) == 0
    assert main(["ledger", "add", str(changed), *place]) == 1
    assert "--accept-serial" in capsys.readouterr().err
    assert main(["ledger", "add", "--accept-serial", str(changed), *place]) == 0


def test_no_ledger_is_bad_use_and_is_not_made_by_looking(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "nothing"
    assert main(["ledger", "list", "--ledger", str(place)]) == 2
    assert "there is no ledger in" in capsys.readouterr().err
    assert not place.exists()


@pytest.mark.parametrize("action", ["add", "list", "show", "compare"])
def test_every_action_explains_itself_with_an_example(action: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["ledger", action, "--help"])
    assert stopped.value.code == 0
    assert f"example:\n  wattproof ledger {action}" in capsys.readouterr().out
