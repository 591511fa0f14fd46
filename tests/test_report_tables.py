"""The tables on disk: all figures of the JSON, readable elsewhere, harmless in a spreadsheet, replacing only ours."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import msgspec
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.errors import BadInput
from analysis.judge import judge_recording
from analysis.recording_reader import read_recording
from analysis.report_files import write_report
from analysis.report_tables import csv_bytes, formula_safe, report_tables
from analysis.rows import Event
from tests.reported_rides import bench_of, recording_of, segment_events, stepped_ride


def test_one_row_per_segment_and_meter_with_the_figures_as_judged(tmp_path: Path) -> None:
    judged = judge_recording(stepped_ride(tmp_path))
    tables = report_tables(judged)
    meters = tables["segments_meters"].to_pylist()
    assert [(r["segment"], r["meter"]) for r in meters[:4]] == [
        ("warm-up", "Alder"),
        ("warm-up", "Birch"),
        ("warm-up", "Cedar"),
        ("steady 150", "Alder"),
    ]
    for row, (result, name) in zip(meters, ((r, n) for r in judged.segments for n in r.meters), strict=True):
        assert row["mean_power_w"] == result.meters[name].mean_power_w
        assert row["start_s"] == result.segment.start_ns / 1e9
    compared = tables["segments_comparisons"].to_pylist()
    for row, c in zip(compared, (c for r in judged.segments for c in r.comparisons.values()), strict=True):
        assert (row["meter"], row["verdict"], row["away_pct"]) == (c.meter, c.word, c.away_pct.mean)
        assert row["mean_difference_half_width_w"] == c.half_width_w
    verdicts = {r["meter"]: r for r in tables["verdicts"].to_pylist()}
    assert {n: r["verdict"] for n, r in verdicts.items()} == {n: v.judgement.word for n, v in judged.verdicts.items()}
    assert verdicts["Cedar"]["away_half_width_pct"] == judged.verdicts["Cedar"].judgement.half_width_pct


def test_csv_and_parquet_say_the_same_to_other_programs(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    write_report(tmp_path / "out", recording, judge_recording(recording))
    for name in ("segments_meters", "segments_comparisons", "verdicts"):
        from_csv = pd.read_csv(tmp_path / "out" / f"{name}.csv")
        from_parquet = pd.read_parquet(tmp_path / "out" / f"{name}.parquet")
        pd.testing.assert_frame_equal(from_csv, from_parquet, check_dtype=False, rtol=1e-12)
    path = tmp_path / "out" / "verdicts.parquet"
    assert duckdb.read_parquet(str(path)).fetchall()[0][:2] == ("Birch", "Alder")


def test_what_cannot_be_said_is_null_and_columns_stay(tmp_path: Path) -> None:
    silent = recording_of(tmp_path, bench_of(("Alder", "Birch")), {}, [], 10)
    whole = report_tables(judge_recording(stepped_ride(tmp_path)))
    for name, table in report_tables(judge_recording(silent)).items():
        assert table.num_rows == 0
        assert table.schema == whole[name].schema
    short = report_tables(judge_recording(stepped_ride(tmp_path, step_s=12)))["verdicts"].to_pylist()
    assert short[0]["verdict"] == "undecided"
    assert short[0]["away_half_width_pct"] is None  # no interval: infinite in the analysis


def test_what_only_a_whole_ride_tells_has_tables_of_its_own(demo_recording: Path, tmp_path: Path) -> None:
    recording = read_recording(demo_recording)
    judged = judge_recording(recording)
    whole, found = judged.whole, judged.adjustment
    assert whole.sprints is not None
    assert found is not None
    write_report(tmp_path / "out", recording, judged)

    def rows(columns: str, table: str, more: str = "") -> list[tuple[Any, ...]]:
        place = str(tmp_path / "out" / f"{table}.csv")
        asked = f"select {columns} from read_csv('{place}', nullstr='') {more}"
        return duckdb.execute(asked).fetchall()

    sprints = [(s.name, n, f.pulse_work_j.difference_pct) for s in whole.sprints.sprints for n, f in s.meters.items()]
    assert rows("segment, meter, pulse_work_difference_pct", "sprints") == sprints != []
    totals = {name: (j.word, j.repeats) for name, j in whole.sprints.judgements.items()}
    assert {n: (w, r) for n, w, r in rows("meter, verdict, sprints_judged", "sprint_verdicts")} == totals
    effects = [(n, e.name, e.per) for n, told in whole.effects.items() for e in told.effects]
    assert rows("meter, effect, per", "effects") == effects
    told = rows("change_pct, half_width_pct", "effects", "where why_not is null")
    assert told == [
        (e.change_pct, e.half_width_pct) for t in whole.effects.values() for e in t.effects if not e.why_not
    ]
    pairs = [(c.segment_no, p.a, p.b, p.word) for c in whole.cadence for p in c.pairs]
    assert rows("segment_no, a, b, word", "cadence") == pairs != []
    packets = [(p.sensor, p.segment_no, p.turns) for checks in whole.packet_checks.values() for p in checks]
    assert rows("sensor, segment_no, turns", "packet_checks") == packets != []
    units = [(u.name, u.error_pct, u.probability_outside, u.named) for u in found.units]
    assert rows("meter, error_pct, probability_outside, named_as_off", "adjustment") == units
    assert len(rows("*", "adjustment_differences")) == len(found.differences)
    scales = [(n, o.segments, o.scale_pct) for n, o in whole.scale_offsets.items()]
    assert rows("meter, segments, scale_pct", "scale_offsets") == scales
    assert [r[0] for r in rows("meter", "responses")] == list(whole.responses)


def test_a_sprint_that_was_not_seen_is_a_row_with_its_reason(tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path, steps=(("easy", "free", 110.0), ("no sprint", "sprint", 112.0)))
    (row,) = report_tables(judge_recording(ride))["sprints"].to_pylist()
    assert (row["segment"], row["meter"], row["onset_s"]) == ("no sprint", None, None)
    assert "scarcely rises" in row["why_not"]


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\r", "\0"])
def test_text_that_a_spreadsheet_would_run_is_marked(first: str) -> None:
    # The seven characters of CWE-1236 as OWASP's application security standard lists them (5.0, 1.2.10).
    table = pa.table({"name": [f"{first}SUM(1)"], "difference_w": [-5.5]})
    header, row = csv.reader(io.StringIO(csv_bytes(table).decode(), newline=""))
    assert header == ["name", "difference_w"]
    assert row == [f"'{first}SUM(1)", "-5.5"]
    assert formula_safe("Alder = 1") == "Alder = 1"


def test_a_hostile_segment_name_stays_one_harmless_cell(tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path)
    name = "=cmd|'/C calc'!A0\",\r\n\x1b[2J\u202e"
    hostile = [
        msgspec.structs.replace(row, detail={**row.detail, "name": name}) if row.event == Event.SEGMENT_START else row
        for row in segment_events(70)
    ]
    tables = report_tables(judge_recording(replace(ride, events=tuple(hostile))))
    for table in tables.values():
        for line in csv.reader(io.StringIO(csv_bytes(table).decode(), newline="")):
            assert not any(cell.startswith(("=", "@")) or "\x1b" in cell for cell in line)
    cadence = list(csv.DictReader(io.StringIO(csv_bytes(tables["cadence"]).decode(), newline="")))
    assert cadence[0]["segment"].startswith("'=cmd|")
    rows = list(csv.DictReader(io.StringIO(csv_bytes(tables["segments_meters"]).decode(), newline="")))
    assert len(rows) == 15
    assert rows[0]["segment"] == "'=cmd|'/C calc'!A0\",\ufffd\ufffd\ufffd[2J\ufffd"


def test_a_second_report_replaces_the_first(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    out = tmp_path / "deep" / "out"
    first = write_report(out, recording, judge_recording(recording))
    (out / "notes.txt").write_text("mine")
    again = write_report(out, recording, judge_recording(recording, "Cedar"))
    assert first == again
    assert pq.read_table(out / "verdicts.parquet")["reference"].to_pylist() == ["Cedar", "Cedar"]
    assert (out / "notes.txt").read_text() == "mine"
    assert sorted(p.name for p in out.iterdir()) == sorted([*(p.name for p in first), "notes.txt"])


@pytest.mark.parametrize("name", ["report.html", "verdicts.csv", "verdicts.parquet"])
def test_a_foreign_file_is_never_overwritten(tmp_path: Path, name: str) -> None:
    recording = stepped_ride(tmp_path)
    (tmp_path / name).write_text("somebody's own work")
    with pytest.raises(BadInput, match="is not from a report"):
        write_report(tmp_path, recording, judge_recording(recording))
    assert (tmp_path / name).read_text() == "somebody's own work"
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted({name, "ride.parquet"})


def test_a_link_to_elsewhere_is_not_followed(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    out = tmp_path / "out"
    write_report(out, recording, judge_recording(recording))
    target = tmp_path / "kept.html"
    (out / "report.html").rename(target)
    (out / "report.html").symlink_to(target)
    with pytest.raises(BadInput):
        write_report(out, recording, judge_recording(recording))


def test_a_folder_that_cannot_be_made_is_told_in_one_sentence(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    (tmp_path / "file").write_text("")
    for no_folder in (tmp_path / "file", tmp_path / "file" / "out"):
        with pytest.raises(BadInput, match=r"file.* is no folder"):
            write_report(no_folder, recording, judge_recording(recording))
