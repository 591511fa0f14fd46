"""Corrections after a ride: beside the recording, with a reason, and with the figures of both."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from analysis.amendments import BadAmendment, amend_path, read_amendments
from analysis.judge import judge_recording
from analysis.recording_reader import read_recording
from analysis.report_page.page import report_page
from analysis.report_table import report_table
from tests.ledger_rides import write_ride

HEAD = '[[change]]\nutc = 2026-11-25T16:00:00Z\nreason = "the rider answered the phone"\n'
EXCLUDE = HEAD + 'do = "exclude"\nsegment_no = 4\n'


@pytest.fixture
def ride(demo_recording: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(demo_recording, tmp_path / "ride.parquet"))


def amend(ride: Path, text: str) -> None:
    amend_path(ride).write_text(text)


def test_without_a_file_nothing_is_amended(ride: Path) -> None:
    recording = read_recording(ride)
    assert recording.amendments is None
    assert judge_recording(recording).as_recorded is None


def test_changes_are_made_in_order_and_the_recorded_figures_stand_beside(ride: Path) -> None:
    before = read_recording(ride)
    amend(
        ride,
        EXCLUDE
        + HEAD + 'do = "rename"\nsegment_no = 2\nname = "steady, easy"\n'
        + HEAD + 'do = "trim"\nsegment_no = 3\nstop_s = 200.0\n'
        + HEAD + 'do = "add"\nname = "by hand"\nstart_s = 30\nstop_s = 70\n',
    )  # fmt: skip
    recording = read_recording(ride)
    after = {s.segment_no: s for s in recording.segments}
    numbers = {s.segment_no for s in before.segments}
    next_no = max(numbers) + 1
    assert set(after) == numbers - {4} | {next_no}
    assert after[2].name == "steady, easy"
    assert after[3].stop_ns == 200 * 10**9
    new = after[next_no]
    assert (new.start_ns, new.name, new.ended_by) == (30 * 10**9, "by hand", "amended")
    assert recording.recorded_segments == before.segments
    judged = judge_recording(recording)
    assert judged.as_recorded is not None
    assert judged.as_recorded["Cedar"].judgement == judge_recording(before).verdicts["Cedar"].judgement
    assert judged.verdicts["Cedar"].judgement.repeats == judged.as_recorded["Cedar"].judgement.repeats - 1
    table = report_table(recording, judged)
    assert "because: the rider answered the phone" in " ".join(table.split())
    assert "As recorded, without amendments: Cedar reads" in " ".join(table.split())
    assert recording.amendments is not None
    assert recording.amendments.sha256 in report_page(recording, judged, "0" * 64)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (EXCLUDE.replace("4", "99"), "there is no segment 99"),
        (EXCLUDE.replace("segment_no = 4\n", ""), "say which: `segment_no`"),
        (EXCLUDE.replace("the rider answered the phone", "x"), "reason"),
        (EXCLUDE.replace("Z\n", "+01:00\n", 1), "must be given in UTC"),
        (HEAD + 'do = "trim"\nsegment_no = 3\nstop_s = 1\n', "nothing of segment 3 would be left"),
        (HEAD + 'do = "trim"\nsegment_no = 3\nstop_s = 99999\n', "behind the end of the ride"),
        (HEAD + 'do = "add"\nstart_s = 50\nstop_s = 40\n', "a later `stop_s`"),
        (HEAD + 'do = "rename"\nsegment_no = 3\n', "give its new `name`"),
        (HEAD + 'do = "delete"\nsegment_no = 3\n', "do"),
        ("x = 1\n", "unknown key `x`"),
    ],
)
def test_an_amendment_that_does_not_fit_is_one_sentence(ride: Path, text: str, words: str) -> None:
    amend(ride, text)
    with pytest.raises(BadAmendment) as caught:
        judge_recording(read_recording(ride))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_number_that_was_taken_away_is_not_given_again(ride: Path) -> None:
    last = max(s.segment_no for s in read_recording(ride).segments)
    added = HEAD + 'do = "add"\nstart_s = 30\nstop_s = 70\n'
    amend(ride, EXCLUDE.replace("4", str(last)) + added)
    numbers = {s.segment_no for s in read_recording(ride).segments}
    assert last not in numbers
    assert last + 1 in numbers


def test_what_was_amended_is_told_where_nothing_is_compared(tmp_path: Path) -> None:
    alone = write_ride(tmp_path / "alone.parquet", meters=("Alder",))
    amend(alone, EXCLUDE)
    recording = read_recording(alone)
    judged = judge_recording(recording)
    assert judged.verdicts == {}
    for text in (report_table(recording, judged), report_page(recording, judged, "0" * 64)):
        assert "because: the rider answered the phone" in " ".join(text.split())


def test_an_empty_file_changes_nothing(ride: Path) -> None:
    amend(ride, "# nothing yet\n")
    amendments = read_amendments(ride)
    assert amendments is not None
    assert amendments.changes == ()
