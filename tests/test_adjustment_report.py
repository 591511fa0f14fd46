"""From a judged recording to the report: who is off, in table, page and JSON, where anything was compared."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from analysis.adjustment_words import adjustment_sentences, scatter_sentence, who_sentence
from analysis.bench_model import ride_observations
from analysis.json_figures import jsonable
from analysis.judge import judge_recording
from analysis.report_page.number_text import typeset
from analysis.report_page.page import report_page
from analysis.report_table import report_table
from tests.reported_rides import SPRINT, STEPS, stepped_ride


def test_observations_are_the_steady_comparisons(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path, steps=(*STEPS, *SPRINT), step_s=70)
    judged = judge_recording(recording)
    told = ride_observations(judged.segments, judged.setup, recording.bench, "a ride", {"Cedar": "2.1.0"})
    assert told is not None
    assert "sprint" not in {s.name for s in told.segments}
    assert {m.name: (m.claim_pct, m.behind_chain, m.epoch) for m in told.meters} == {
        "Alder": (1.0, False, ""),
        "Birch": (1.5, False, ""),
        "Cedar": (1.0, True, "2.1.0"),
    }
    by_name = {s.name: s for s in told.segments}
    result = next(r for r in judged.segments if r.segment.name == "steady 250")
    reading = by_name["steady 250"].readings["Cedar"]
    assert reading.difference_pct == result.comparisons["Cedar"].difference_pct.mean
    assert reading.variance_pct2**0.5 * 1.96 == pytest.approx(
        result.comparisons["Cedar"].difference_pct.half_width, rel=1e-3
    )
    assert by_name["steady 250"].torque_nm == pytest.approx(250 / (88 * 3.14159 / 30), rel=0.01)


def test_the_finding_stands_in_table_page_and_json(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path, ("Alder", "Birch", "Dogwood", "Cedar"), step_s=100)
    judged = judge_recording(recording)
    found = judged.adjustment
    assert found is not None
    assert {u.name for u in found.units} == {"Alder", "Birch", "Dogwood", "Cedar"}
    table, page = " ".join(report_table(recording, judged).split()), report_page(recording, judged, "0" * 64)
    for sentence in adjustment_sentences(found, judged.setup.chain):
        assert sentence in table
    assert typeset(who_sentence(found, judged.setup.chain)) in page
    assert "Who is off?" in page
    assert judged.scatter is not None
    assert scatter_sentence(judged.scatter) in table
    assert typeset(scatter_sentence(judged.scatter)) in page
    written = json.loads(json.dumps(jsonable(asdict(judged)), allow_nan=False))
    assert written["adjustment"]["units"][2]["name"] == "Dogwood"


def test_a_meter_far_off_is_named_in_the_report(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path, ("Alder", "Birch", "Fir", "Dogwood"), step_s=100)
    recording.samples["Fir"].power_w.values[:] *= 1.08
    judged = judge_recording(recording)
    assert judged.adjustment is not None
    assert judged.adjustment.named == "Fir"
    assert "Fir reads" in report_table(recording, judged)


def test_scatter_of_each_meter_is_found_whatever_its_gain(tmp_path: Path) -> None:
    """The rides of these tests carry 1 % of white noise in every meter; a fifth gets 3 %."""
    recording = stepped_ride(tmp_path, ("Alder", "Birch", "Dogwood", "Cedar", "Fir"), step_s=200)
    watts = recording.samples["Fir"].power_w.values
    watts *= 1 + 0.028 * np.random.default_rng(5).standard_normal(len(watts))
    scatter = judge_recording(recording).scatter
    assert scatter is not None
    assert scatter.sd == pytest.approx((1.0, 1.0, 1.0, 1.0, 3.0), rel=0.15)
    assert judge_recording(stepped_ride(tmp_path, ("Alder", "Cedar"))).scatter is None
    assert judge_recording(stepped_ride(tmp_path, step_s=10)).scatter is None


def test_nothing_is_said_where_nothing_is_compared(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path, ("Alder",))
    judged = judge_recording(recording)
    assert judged.adjustment is None
    assert "Who is off" not in report_page(recording, judged, "0" * 64)
