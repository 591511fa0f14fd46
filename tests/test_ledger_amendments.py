"""Amendments in a ledger: kept with their ride, judged with, told with their reason, renewed when they change."""

from __future__ import annotations

import hashlib
import html
import json
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow._fs as arrow_files
import pyarrow.fs
import pyarrow.parquet as pq
import pytest

from analysis.amendments import amend_path
from analysis.command_line import main
from analysis.judge import judge_recording
from analysis.ledger.compare_rides import known_rides
from analysis.ledger.ledger_folder import INDEX, RECORDINGS, RESULTS, LedgerFolder, open_ledger
from analysis.ledger.results_schema import FIELDS, METER, RESULTS_KEY, RIDE, SCHEMA, SEGMENT, SINCE_2
from analysis.ledger.taking_in import add_recording, finish_adding, rebuild
from analysis.ledger.unit_history import unit_history
from analysis.recording_reader import read_recording
from tests.ledger_rides import Died, DyingFolder, write_ride

REASON = "the rider answered the phone"
CHANGE = '[[change]]\nutc = 2026-11-26T16:00:00Z\nreason = "{}"\n'
EXCLUDE = CHANGE.format(REASON) + 'do = "exclude"\nsegment_no = 4\n'
AGAIN = CHANGE.format("a gear slipped") + 'do = "exclude"\nsegment_no = 5\n'


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two rides on two days; treat them as read-only."""
    folder = tmp_path_factory.mktemp("rides")
    return [write_ride(folder / f"ride {n}.parquet", session=f"{n:032x}", day=7.0 * n, seed=n) for n in (1, 2)]


@pytest.fixture
def ride(ridden: list[Path], tmp_path: Path) -> Path:
    return Path(shutil.copy(ridden[0], tmp_path / "ride.parquet"))


@pytest.fixture
def folder(tmp_path: Path) -> LedgerFolder:
    return open_ledger(str(tmp_path / "ledger"), make=True)


def everything(folder: LedgerFolder) -> dict[str, pa.Table]:
    snapshot = folder.snapshot()
    keys = [(name, "ascending") for name in ("session", "meter", "segment_no")]
    return {kind: snapshot.rows(kind, list(FIELDS)).sort_by(keys) for kind in (RIDE, METER, SEGMENT)}


def segments_kept(folder: LedgerFolder) -> list[int]:
    return sorted(set(everything(folder)[SEGMENT]["segment_no"].to_pylist()))


# -- taking in -------------------------------------------------------------------------------------------------


def test_amendments_are_copied_and_a_rebuild_from_the_copies_says_the_same(folder: LedgerFolder, ride: Path) -> None:
    amend_path(ride).write_text(EXCLUDE)
    added = add_recording(folder, ride)
    assert added.words.endswith("is added, with 1 amendment.")
    assert folder.root is not None
    (name,) = folder.recording_names()
    copy = folder.root / RECORDINGS / name
    assert amend_path(copy).read_text() == EXCLUDE

    kept, judged = everything(folder), judge_recording(read_recording(ride))
    assert segments_kept(folder) == [1, 2, 3, 5]
    digest = hashlib.sha256(EXCLUDE.encode()).hexdigest()
    assert set(kept[SEGMENT]["amendments_sha256"].to_pylist()) == {digest}
    (row,) = kept[RIDE].to_pylist()
    assert row["amendments"] == [f"2026-11-26 16:00 UTC: exclude segment 4, because: {REASON}"]
    birch = next(r for r in kept[METER].to_pylist() if r["meter"] == "Birch")
    assert judged.as_recorded is not None
    before = judged.as_recorded["Birch"].judgement
    assert birch["away_pct"] == judged.verdicts["Birch"].judgement.away_pct != before.away_pct
    assert birch["as_recorded_away_pct"] == before.away_pct
    assert (birch["as_recorded_away_half_width_pct"], birch["as_recorded_verdict"]) == (
        before.half_width_pct,
        before.word,
    )
    ride.unlink()
    amend_path(ride).unlink()
    shutil.rmtree(folder.root / RESULTS)
    made = rebuild(folder)
    assert (made.judged, made.skipped) == (1, ())
    assert everything(folder) == kept


def test_added_again_after_a_change_the_entry_is_made_new_and_that_is_said(
    folder: LedgerFolder, ride: Path, ridden: list[Path]
) -> None:
    add_recording(folder, ride)
    add_recording(folder, ridden[1])
    rebuild(folder)  # the index holds the ride as recorded; it must not come back from there
    amend_path(ride).write_text(EXCLUDE)
    found = add_recording(folder, ride)
    assert found.state == "amended"
    assert found.words.endswith("its amendments changed, and its results were made anew (1 change, 0 before).")
    assert len(known_rides(folder.snapshot())) == len(folder.keys()) == 2
    amended = [r for r in known_rides(folder.snapshot()) if r["amendments"]]
    assert [r["session"] for r in amended] == [f"{1:032x}"]
    finish_adding(folder)
    assert add_recording(folder, ride).state == "already there"

    amend_path(ride).write_text(EXCLUDE + AGAIN)
    assert "(2 changes, 1 before)." in add_recording(folder, ride).words
    before = everything(folder)
    assert rebuild(folder).judged == 0
    assert everything(folder) == before

    amend_path(ride).write_text(AGAIN)
    assert add_recording(folder, ride).words.endswith("Of the changes kept before, some are not there any more.")


def test_amendments_of_the_ledger_stand_where_none_lie_beside_the_file(folder: LedgerFolder, ride: Path) -> None:
    amend_path(ride).write_text(EXCLUDE)
    add_recording(folder, ride)
    before = everything(folder)
    amend_path(ride).unlink()
    found = add_recording(folder, ride)
    assert (found.state, everything(folder)) == ("already there", before)
    assert "none lie beside this file, so those stand" in found.words
    (key,) = folder.keys()
    folder.remove_results(key)  # as after damage: what is judged anew is judged with them
    assert add_recording(folder, ride).words.endswith("is added, with 1 amendment.")
    assert everything(folder) == before


def test_a_renamed_copy_amends_the_entry_there_is(folder: LedgerFolder, ride: Path) -> None:
    add_recording(folder, ride)
    renamed = Path(shutil.copy(ride, ride.with_name("another name.parquet")))
    amend_path(renamed).write_text(EXCLUDE)
    assert add_recording(folder, renamed).state == "amended"
    (row,) = known_rides(folder.snapshot())
    assert [row["recording"]] == folder.recording_names()
    assert folder.amendments_sha256(row["recording"]) == hashlib.sha256(EXCLUDE.encode()).hexdigest()


def test_amendments_that_do_not_fit_change_nothing(folder: LedgerFolder, ride: Path) -> None:
    amend_path(ride).write_text(EXCLUDE)
    add_recording(folder, ride)
    before = everything(folder)
    amend_path(ride).write_text(EXCLUDE + EXCLUDE)  # there is no segment 4 to exclude any more
    found = add_recording(folder, ride)
    assert found.state == "not usable"
    assert "ride.amend.toml: change 2: there is no segment 4" in found.words
    assert everything(folder) == before
    assert folder.amendments_sha256(folder.recording_names()[0]) == hashlib.sha256(EXCLUDE.encode()).hexdigest()


def test_damaged_amendments_of_a_ledger_are_named_by_a_rebuild(
    folder: LedgerFolder, ride: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    amend_path(ride).write_text(EXCLUDE)
    add_recording(folder, ride)
    (name,) = folder.recording_names()
    amend_path(Path(str(folder.root)) / RECORDINGS / name).write_text("[[change]")
    assert main(["ledger", "list", "--rebuild", "--ledger", str(folder.root)]) == 2
    said = capsys.readouterr().err
    assert f"skipped {name}: " in said
    assert "amend.toml is not valid TOML" in said
    assert add_recording(folder, ride).state == "added"
    assert segments_kept(folder) == [1, 2, 3, 5]


def test_a_crash_at_any_write_leaves_one_entry_and_the_next_adding_finishes_it(ride: Path, tmp_path: Path) -> None:
    amend_path(ride).write_text(EXCLUDE + AGAIN)
    whole = open_ledger(str(tmp_path / "whole"), make=True)
    add_recording(whole, ride)
    wanted, kept = everything(whole), []
    for survives in range(5):
        folder = open_ledger(str(tmp_path / f"crash {survives}"), make=True)
        amend_path(ride).write_text(EXCLUDE)
        add_recording(folder, ride)
        rebuild(folder)
        amend_path(ride).write_text(EXCLUDE + AGAIN)
        try:
            add_recording(DyingFolder(folder.files, folder.root, [survives]), ride)
        except Died:
            kept.append(segments_kept(folder))
        assert len(known_rides(folder.snapshot())) == 1
        assert add_recording(folder, ride).state in ("amended", "already there")
        assert rebuild(folder).rides == 1
        assert everything(folder) == wanted
        assert len(folder.keys()) == 1
    # Amendments and results, each written beside and then renamed; the last rename makes the new ones count.
    assert kept == [[1, 2, 3, 5]] * 3 + [[1, 2, 3]]


@pytest.mark.parametrize("kind", ["sub-tree", "in memory"])
def test_the_same_on_another_file_system(ride: Path, tmp_path: Path, kind: str) -> None:
    if kind == "sub-tree":
        (tmp_path / "store").mkdir()
        files: pyarrow.fs.FileSystem = pyarrow.fs.SubTreeFileSystem(
            str(tmp_path / "store"), pyarrow.fs.LocalFileSystem()
        )
    else:
        files = arrow_files._MockFileSystem()
    folder = LedgerFolder(files)
    amend_path(ride).write_text(EXCLUDE)
    assert add_recording(folder, ride).state == "added"
    amend_path(ride).write_text(EXCLUDE + AGAIN)
    assert add_recording(folder, ride).state == "amended"
    before = everything(folder)
    assert segments_kept(folder) == [1, 2, 3]
    (key,) = folder.keys()
    folder.remove_results(key)
    assert rebuild(folder).judged == 1
    assert everything(folder) == before


# -- older ledgers ---------------------------------------------------------------------------------------------


def to_version_1(path: Path) -> None:
    """As the version before wrote it: without the newest columns."""
    table = pq.read_table(path).drop_columns(list(SINCE_2))
    pq.write_table(table.replace_schema_metadata({**SCHEMA.metadata, RESULTS_KEY: b"1"}), path)


def test_a_ledger_of_the_version_before_stays_readable_and_is_renewed(
    folder: LedgerFolder, ride: Path, ridden: list[Path]
) -> None:
    add_recording(folder, ride)
    rebuild(folder)
    add_recording(folder, ridden[1])
    wanted = everything(folder)
    root = Path(str(folder.root))
    for path in (root / INDEX, *(root / RESULTS).iterdir()):
        to_version_1(path)
    snapshot = folder.snapshot()
    assert (len(snapshot.covered), snapshot.beside, snapshot.unreadable) == (1, 1, ())
    found = everything(folder)
    for kind, table in found.items():
        same = [name for name in table.column_names if name not in SINCE_2]
        assert table.select(same) == wanted[kind].select(same)
        assert table["amendments_sha256"].null_count == table.num_rows
    assert unit_history(snapshot, "birch-1").rides[0].facts["amendments"] is None
    with folder.writing():
        folder.write_index(snapshot)
    assert folder.snapshot().beside == 0
    assert everything(folder) == found
    amend_path(ride).write_text(EXCLUDE)
    assert add_recording(folder, ride).state == "amended"
    assert segments_kept(folder) == [1, 2, 3, 4, 5]  # 4 is that of the other ride
    assert rebuild(folder).judged == 1
    assert [r["amendments"] for r in known_rides(folder.snapshot())][1] == []


# -- telling ---------------------------------------------------------------------------------------------------


@pytest.fixture
def told(ridden: list[Path], tmp_path: Path) -> list[str]:
    """A ledger of two rides, the first of them amended, as arguments of the command."""
    place = ["--ledger", str(tmp_path / "l")]
    paths = [Path(shutil.copy(path, tmp_path / f"ride-{n}.parquet")) for n, path in enumerate(ridden, 1)]
    amend_path(paths[0]).write_text(EXCLUDE)
    assert main(["ledger", "add", *map(str, paths), *place]) == 0
    return place


def test_lists_lines_and_pages_say_that_a_ride_was_amended_and_why(
    told: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    why = f"Ride of 2026-12-02 13:57, amended 2026-11-26 16:00 UTC: exclude segment 4, because: {REASON}."
    assert main(["ledger", "list", *told]) == 0
    first, second, _ = capsys.readouterr().out.splitlines()[-3:]
    assert (first.endswith(", amended"), second.endswith(", amended")) == (True, False)
    unit, everyone = tmp_path / "unit.html", tmp_path / "ledger.html"
    assert main(["ledger", "show", "birch-1", "--page", str(unit), *told]) == 0
    lines = capsys.readouterr().out
    assert why in " ".join(lines.split())
    assert "2026-12-02 13:57, 6 min, 1.0, amended; zero" in lines
    assert max(map(len, lines.splitlines())) <= 80
    assert main(["ledger", "list", "--page", str(everyone), *told]) == 0
    for page in (unit, everyone):
        assert why in html.unescape(page.read_text()).replace("\u00a0", " ")
    assert unit.read_text().count("<small>amended</small>") == 1
    capsys.readouterr()
    assert main(["ledger", "list", "--json", *told]) == 0
    rides = json.loads(capsys.readouterr().out)["rides"]
    assert [r["amendments_sha256"] for r in rides] == [hashlib.sha256(EXCLUDE.encode()).hexdigest(), None]
    assert main(["ledger", "compare", "ride-1", "ride-2", *told]) == 0
    assert "The ride before was judged with 1 amendment" in capsys.readouterr().out


def test_both_sides_of_a_pair_tell_what_was_said_without(told: list[str], tmp_path: Path) -> None:
    judged = judge_recording(read_recording(tmp_path / "ride-1.parquet"))
    assert judged.as_recorded is not None
    before = judged.as_recorded["Birch"].judgement
    snapshot = open_ledger(told[1]).snapshot()
    (pair,) = unit_history(snapshot, "birch-1").rides[0].pairs
    assert (pair.as_recorded_pct, pair.as_recorded_half_width_pct) == (before.away_pct, before.half_width_pct)
    (other,) = unit_history(snapshot, "alder-1").rides[0].pairs
    # Reading a factor more one way is reading its inverse the other way (arithmetic).
    assert (1 + other.as_recorded_pct / 100) * (1 + pair.as_recorded_pct / 100) == pytest.approx(1.0)
    assert other.as_recorded_word == before.word
    assert all(p.as_recorded_word is None for p in unit_history(snapshot, "birch-1").rides[1].pairs)


def test_a_long_or_hostile_reason_is_kept_whole_and_harmless(
    folder: LedgerFolder, ride: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    reason = "<script>\\u001b[2J" + "why " * 90 + "done"
    amend_path(ride).write_text(CHANGE.format(reason) + 'do = "exclude"\nsegment_no = 4\n')
    add_recording(folder, ride)
    page = tmp_path / "unit.html"
    assert main(["ledger", "show", "birch-1", "--page", str(page), "--ledger", str(folder.root)]) == 0
    printed = capsys.readouterr().out
    assert "\x1b" not in printed + page.read_text()
    assert "why why done." in " ".join(printed.split())
    assert "<script>" not in page.read_text()


def test_a_verdict_that_hangs_on_an_amendment_is_an_open_question(
    ridden: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ride = Path(shutil.copy(ridden[0], tmp_path / "ride.parquet"))
    # Two steady steps are left, and three are needed for a verdict.
    amend_path(ride).write_text(EXCLUDE + AGAIN)
    judged = judge_recording(read_recording(ride))
    assert judged.as_recorded is not None
    assert (judged.as_recorded["Birch"].judgement.word, judged.verdicts["Birch"].judgement.word) == (
        "agrees",
        "undecided",
    )
    place = ["--ledger", str(tmp_path / "l")]
    assert main(["ledger", "add", str(ride), *place]) == 0
    assert main(["ledger", "show", "birch-1", *place]) == 0
    asked = " ".join(capsys.readouterr().out.split())
    assert "Against alder-1 the ride of 2026-12-02 13:57 says undecided as amended; as recorded, agrees." in asked
