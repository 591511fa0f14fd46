"""What stands on the disk is damaged: pages of a journal, pages of the Parquet file.

Cuts and single bits of a journal are tried in tests/test_journal.py, at every byte and 3,000 times.
"""

from __future__ import annotations

import random
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.errors import BadRecording
from analysis.recording_reader import read_recording
from recorder.compose import recover_path
from recorder.recovery import recover_journal
from recorder.storage import SystemStorage
from tests.faults.conftest import Tell
from tests.faults.harmed_rides import numbers
from tests.faults.parquet_pages import pages_of
from tests.riding import Journal

SYSTEM = SystemStorage()
PAGE = 4096


def test_a_zeroed_page_of_a_journal_costs_only_the_rows_that_touch_it(tmp_path: Path, tell: Tell) -> None:
    whole = Journal(1500)
    whole.frames.insert(200, whole.encoder.preamble())  # as a recorder does after 8 KiB
    data = whole.preamble + b"".join(whole.frames)
    worst = 0
    for start in range(0, len(data), PAGE):
        folder = tmp_path / str(start)
        folder.mkdir()
        stop = min(start + PAGE, len(data))
        (folder / "ride.journal").write_bytes(data[:start] + bytes(stop - start) + data[stop:])
        place, number, untouched = len(whole.preamble), 0, set()
        for index, frame in enumerate(whole.frames):
            if index != 200 and (place >= stop or place + len(frame) <= start):
                untouched.add(number)
            number += index != 200
            place += len(frame)
        (ride,) = recover_path(folder, SYSTEM).recovered
        assert set(numbers(ride.recording)) == untouched
        worst = max(worst, 1500 - len(untouched))
        assert ride.missing_records in (1500 - len(untouched), 0)  # none is known to be missing behind the last
    tell(
        15,
        "each 4 KiB page of a journal zeroed",
        "N records lost, 1 place damaged",
        f"at most {worst} rows of 41 bytes",
    )


def damaged(path: Path, place: int, bit: int) -> Path:
    data = bytearray(path.read_bytes())
    data[place] ^= 1 << bit
    copy = path.with_name("damaged.parquet")
    copy.write_bytes(data)
    return copy


def is_refused(path: Path) -> bool:
    try:
        read_recording(path)
    except BadRecording as fault:
        return "\n" not in str(fault)
    return False


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    journal = Journal(400)
    journal.event(3.0, "note", text="a word")
    return recover_journal([journal.end().put(tmp_path)], SYSTEM).recording


def test_every_damaged_page_of_a_recording_is_refused(recording: Path, tell: Tell) -> None:
    dice = random.Random(16)
    pages = list(pages_of(recording))
    names = {page.column for page in pages}
    assert names == set(pq.read_schema(recording).names)
    refused = by_us = 0
    for page in pages:
        copy = damaged(recording, page.start + dice.randrange(page.length), dice.randrange(8))
        with pytest.raises((OSError, pa.ArrowException)):
            pq.read_table(copy, page_checksum_verification=True)
        refused += 1
        by_us += is_refused(copy)
    assert by_us >= len(pages) / 3  # the other columns are not read for figures
    tell(16, f"a bit flipped in each of {len(pages)} pages", "... is damaged", f"{refused} of {len(pages)} refused")


def test_a_damaged_file_beside_its_journal_is_made_anew(tmp_path: Path, tell: Tell) -> None:
    journal = Journal(60).end()
    path = journal.put(tmp_path)
    first = recover_journal([path], SYSTEM).recording
    page = next(page for page in pages_of(first) if page.column == "payload")
    damaged(first, page.start + 1, 3).replace(first)
    journal.put(tmp_path)
    (ride,) = recover_path(tmp_path, SYSTEM).recovered
    assert ride.recording.name == "ride-2.parquet"
    assert numbers(ride.recording) == list(range(60))
    tell(16, "the same while the journal is there", "ride-2.parquet: ... finished", "0 rows lost")
