"""The page as text: says what was judged, keeps every peak it draws, escapes what is hostile, and is never silent."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.grid import HeldSignal
from analysis.judge import judge_recording
from analysis.meter_signal import bench_signals
from analysis.paired_seconds import paired_seconds, ride_agreement
from analysis.recording_reader import Recording, file_sha256
from analysis.recording_schema import Finish
from analysis.report_page.chart_series import agreement_axes, agreement_chart, held_series, least_and_greatest
from analysis.report_page.facts import ride_facts
from analysis.report_page.number_text import clock, duration, number, plus_minus, typeset, utc
from analysis.report_page.page import report_page
from analysis.report_page.verdict_figure import Mark, reach_pct, segments_svg, verdict_svg
from analysis.rows import Event, Row
from analysis.samples import SensorSamples
from analysis.words import verdict_sentence
from tests.reported_rides import (
    SCALES,
    SPRINT,
    STEPS,
    S,
    bench_of,
    recording_of,
    samples_of,
    segment_events,
    stepped_ride,
    steps_w,
)

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; alert(1); //",
    "</script><script>alert(1)</script>",
    "{{ 7 * 7 }}{% raw %}",
    "\x1b[2J\x1b]0;owned\x07\x9b",
    "\u202etxt.exe\u2066\u2028",
    "x" * 200,
)


class Page(HTMLParser):
    """What a browser would see: texts, tags, attributes, and the contents of each script."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.scripts: list[str] = []
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            self.scripts.append(data)
        elif self._inside != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    @property
    def data(self) -> Any:
        return json.loads(self.scripts[0])


def page_of(recording: Recording) -> Page:
    return Page(report_page(recording, judge_recording(recording), "0" * 64))


# -- what it says ----------------------------------------------------------------------------------------------


def test_words_and_numbers_are_those_that_were_judged(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    judged, page = judge_recording(recording), page_of(recording)
    assert {judged.verdicts[n].judgement.word for n in ("Birch", "Cedar")} == {"agrees", "differs"}
    for name, verdict in judged.verdicts.items():
        assert typeset(verdict_sentence(verdict)).replace("\u00a0", " ") in page.text
        assert any(attributes.get("data-meter") == name for tag, attributes in page.tags if tag == "p")
    assert number(judged.segments[1].meters["Cedar"].mean_power_w) in page.text
    shown = [a["id"] for tag, a in page.tags if tag == "section"]
    assert shown == [
        "verdict",
        "off",
        "ride",
        "segments",
        "agreement",
        "sides",
        "cadence",
        "effects",
        "quality",
        "drivetrain",
        "facts",
    ]
    links = [str(a["href"])[1:] for tag, a in page.tags if tag == "a"]
    assert links == shown


def test_nothing_is_fetched(tmp_path: Path) -> None:
    page = page_of(stepped_ride(tmp_path))
    (policy,) = [str(a["content"]) for tag, a in page.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert not [a for tag, a in page.tags if a.keys() & {"src", "srcset", "style", "onclick", "onload", "action"}]
    assert not [tag for tag, _ in page.tags if tag in ("link", "iframe", "object", "form", "base")]
    assert all(str(a["href"]).startswith("#") for tag, a in page.tags if tag == "a")


def test_sprints_stand_on_one_time_zero_and_one_alone_decides_nothing(tmp_path: Path) -> None:
    page = page_of(stepped_ride(tmp_path, steps=(*STEPS, *SPRINT)))
    (sprint,) = page.data["sprints"]
    after = np.array(sprint["time_s"]) >= 2
    before = np.array(sprint["time_s"]) < -2
    for name, scale in (("Alder", 1.0), ("Cedar", SCALES["Cedar"])):
        power_w = np.array(sprint["power_w"][name], float)
        assert power_w[before].mean() == pytest.approx(110 * scale, rel=0.03)
        assert power_w[after].mean() == pytest.approx(750 * scale, rel=0.03)
    assert "undecided (4 sprints are needed, here are 1)" in page.text


def test_facts_hold_what_a_maker_would_ask_for(tmp_path: Path) -> None:
    said = {"model": "Birch spider", "serial": "1187", "firmware_revision": "0.9.18"}
    events = [
        Row(S, "event", "Birch", event=Event.IDENTIFIED, detail=said),
        Row(20 * S, "event", "Birch", event=Event.ZERO_ASKED, detail={"request": "0c"}),
        Row(
            23 * S, "event", "Birch", event=Event.ZERO_ANSWERED, detail={"words": "done; raw offset 512 in 1/32 N·m"}
        ),
        Row(30 * S, "event", "Birch", event=Event.LINK_LOST, detail={"reason": "the radio link fell"}),
        Row(40 * S, "event", "Birch", event=Event.IDENTIFIED, detail={**said, "firmware_revision": "0.9.19"}),
        Row(50 * S, "event", event=Event.HOST_STOOD_STILL, detail={"still_s": 1.5}),
        Row(60 * S, "event", event=Event.STORAGE, detail={"words": "the disk is full"}),
        Row(61 * S, "event", "Birch", event=Event.DUPLICATE_DROPPED, detail={}),
        Row(70 * S, "event", "Alder", event=Event.ZERO_ASKED, detail={}),
    ]
    ride = stepped_ride(
        tmp_path,
        sensors={"Birch": said},
        plan={"plan": {"name": "short protocol"}},
        finish=Finish(clean=False, reason="recovered", damaged_records=1, missing_records=3, lost_s={"Birch": 4.25}),
    )
    facts = ride_facts(replace(ride, events=(*ride.events, *events)), file_sha256(ride.path))
    told = {fact.label: fact.value for fact in facts.ride}
    # `printf 'bytes of a ride' | sha256sum` (GNU coreutils 9.1)
    assert told["SHA-256 of the file"] == SHA256_OF_THE_BYTES
    assert told["Start"] == "2026-11-25 13:57:11 UTC"  # `date -u -d @1795615031`
    assert told["Plan"] == "short protocol"
    assert "CLOCK_BOOTTIME" in told["Recorded by"]
    assert told["End"] == (
        "recovered after an interruption (recovered): 3 records lost, 1 damaged place; "
        "last heard before the end: Birch 4.2 s"
    )
    alder, birch = facts.sensors[:2]
    identity = {fact.label: fact.value for fact in birch.identity}
    assert identity["Firmware"] == "0.9.18, then 0.9.19"
    assert identity["Serial"] == "1187"
    assert birch.zero_offsets == ("0:23 done; raw offset 512 in 1/32 N·m",)
    assert alder.zero_offsets == ("1:10 asked, no answer",)
    assert (birch.links_lost, birch.duplicates_dropped) == (1, 1)
    words = [h.words for h in facts.happenings]
    assert "link lost: the radio link fell" in words
    assert "the disk is full" in words
    assert any("stood still for 1.5 s" in w for w in words)
    assert "duplicate_dropped" not in words


SHA256_OF_THE_BYTES = "5731bda4a8f940a91eb6911f0f2eebcc307ab4334be8bc0a5c8a3a6a860eb220"


# -- recordings that carry little ------------------------------------------------------------------------------


@pytest.mark.parametrize("said", ["left", "unknown"])
def test_a_share_of_no_stated_side_is_called_that(tmp_path: Path, said: str) -> None:
    ride = stepped_ride(tmp_path)
    alder = replace(ride.samples["Alder"], balance_reference=said)
    ride = replace(ride, samples={**ride.samples, "Alder": alder})
    words = page_of(ride).text
    assert "Alder measures both sides" in words
    assert ("Alder does not say whose share it sends" in words) == (said == "unknown")


def test_nothing_received(tmp_path: Path) -> None:
    page = page_of(recording_of(tmp_path, bench_of(("Alder", "Birch")), {}, [], 0))
    assert "No sensor sent anything that could be understood: there is nothing to judge." in page.text
    assert "Facts of the ride" in page.text


def test_one_meter(tmp_path: Path) -> None:
    page = page_of(stepped_ride(tmp_path, ("Alder",)))
    assert "Only Alder sent power; a comparison needs two meters." in page.text
    assert page.data["difference"]["series"] == {}


def test_the_reference_was_never_heard(tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path)
    page = page_of(replace(ride, samples={n: s for n, s in ride.samples.items() if n != "Alder"}))
    assert "Nothing can be said of Alder: no power was received." in page.text
    assert "Nothing is compared: the reference, Alder, sent no power." in page.text


def test_no_segments(tmp_path: Path) -> None:
    page = page_of(replace(stepped_ride(tmp_path), events=()))
    assert "No segment was marked: the whole ride is taken as one." in page.text


def test_half_the_ride_is_missing(tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path)
    late = samples_of("Birch", steps_w(70)[175:], 1, from_s=175)
    page = page_of(replace(ride, samples={**ride.samples, "Birch": late}))
    assert "Birch was fresh for 50 % of the ride only" in page.text


def test_all_zeros(tmp_path: Path) -> None:
    zeros = {name: samples_of(name, np.zeros(350), 1) for name in ("Alder", "Birch")}
    page = page_of(recording_of(tmp_path, bench_of(("Alder", "Birch")), zeros, segment_events(70), 350))
    assert "Alder read no power above zero, so no difference can be given in per cent." in page.text
    assert "Birch cannot be compared with Alder" in page.text


def test_samples_without_power(tmp_path: Path) -> None:
    ride = stepped_ride(tmp_path, ("Alder",))
    only_cadence = SensorSamples("Alder", cadence_rpm=ride.samples["Alder"].cadence_rpm)
    page = page_of(replace(ride, samples={"Alder": only_cadence}))
    assert "Nothing can be said of Alder: no power was received." in page.text


# -- hostile text ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE, ids=lambda n: ascii(n)[:24])
def test_a_hostile_name_stays_text(tmp_path: Path, name: str) -> None:
    said = dict.fromkeys(("manufacturer", "model", "serial", "firmware_revision", "location"), name)
    events = [
        msgspec.structs.replace(row, detail={**row.detail, "name": name, "step_kind": name, "posture": name})
        if row.event == Event.SEGMENT_START
        else row
        for row in segment_events(70)
    ]
    events += [
        Row(S, "event", "Birch", event=Event.IDENTIFIED, detail=said),
        Row(2 * S, "event", name, event=Event.NOTE, detail={"text": name}),
        Row(3 * S, "event", "Birch", event=Event.LINK_LOST, detail={"reason": name}),
    ]
    plain = page_of(stepped_ride(tmp_path))
    ride = stepped_ride(
        tmp_path, sensors={"Birch": said}, host=name, clock=name, plan={"plan": {"name": name}}, session_id=name
    )
    ride = replace(ride, events=tuple(events), bench=bench_of(("Alder", "Birch", "Cedar"), name[:32]))
    text = report_page(ride, judge_recording(ride), "0" * 64)
    page = Page(text)
    assert sum(tag == "script" for tag, _ in page.tags) == 2
    assert page.scripts[1] == plain.scripts[1]
    assert not [tag for tag, _ in page.tags if tag == "img"]
    assert not [a for _, a in page.tags if any(key.startswith("on") for key in a)]
    assert "49" not in page.data["segments"][0]["name"]
    assert not set(text) & set("\x1b\x07\x9b\u202e\u2066\u2028")
    shown = name if name.isprintable() and not set(name) & set("\u202e\u2028") else None
    if shown is not None:
        assert page.data["segments"][0]["name"] == shown


# -- what is drawn ---------------------------------------------------------------------------------------------


@given(
    st.lists(st.tuples(st.integers(0, 9), st.integers(-2000, 2000)), max_size=60),
    st.integers(10, 12),
)
def test_thinning_keeps_the_least_and_greatest_of_every_stretch(points: list[tuple[int, int]], count: int) -> None:
    points = sorted(points, key=lambda p: p[0])
    bucket = np.array([b for b, _ in points], np.int64)
    values = np.array([float(v) for _, v in points])
    thin = least_and_greatest(bucket, values, count).reshape(count, 2)
    for b in range(count):
        inside = [float(v) for at, v in points if at == b]
        if not inside:
            assert np.isnan(thin[b]).all()
            continue
        assert sorted(thin[b]) == [min(inside), max(inside)]
        first = min(inside.index(min(inside)), inside.index(max(inside)))
        assert thin[b, 0] == inside[first]


def test_a_peak_of_one_packet_in_three_hours_is_drawn() -> None:
    host_ns = np.arange(0, 10_800 * S, S // 4, dtype=np.int64)
    power_w = np.full(len(host_ns), 200.0)
    power_w[21_001] = 1234.0
    drawn = held_series(HeldSignal(host_ns, power_w, 2_500_000_000), 10_800 * S, 1.0)
    assert len(drawn) == 21_600
    assert np.nanmax(drawn) == 1234
    assert np.nanmin(drawn) == 200


def test_a_gap_is_drawn_as_a_gap() -> None:
    held = HeldSignal(np.array([0, S, 10 * S]), np.array([200.0, 210.0, 220.0]), 2_500_000_000)
    drawn = held_series(held, 12 * S, 1.0).reshape(12, 2)
    assert drawn[:, 0].tolist()[:4] == [200, 210, 210, 210]
    assert np.isnan(drawn[4:10]).all()
    assert drawn[10, 0] == 220


def test_the_seconds_drawn_are_the_seconds_compared(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    judged = judge_recording(recording)
    signals = bench_signals(recording.bench, recording.samples)
    for result in judged.segments:
        for name, comparison in result.comparisons.items():
            lag_s = judged.setup.lags_s.get(name, 0.0)
            pair = paired_seconds(signals, name, "Alder", result.segment, lag_s)
            assert np.isfinite(pair.difference_w).sum() == comparison.seconds
            assert np.nanmean(pair.difference_w) == pytest.approx(comparison.mean_difference_w)


def test_limits_of_the_ride_are_those_of_all_its_usual_seconds(tmp_path: Path) -> None:
    recording = stepped_ride(tmp_path)
    judged = judge_recording(recording)
    signals = bench_signals(recording.bench, recording.samples)
    agreement = ride_agreement(signals, judged.segments, judged.setup)["Cedar"]
    difference_w = agreement.seconds.difference_w
    assert agreement.limits_w is not None
    # Bland and Altman 1986: mean ± 1.96 standard deviations.
    assert agreement.limits_w.lower == pytest.approx(
        np.nanmean(difference_w) - 1.96 * np.nanstd(difference_w, ddof=1)
    )
    chart = agreement_chart(agreement)
    assert chart["mean_w"] == sorted(chart["mean_w"])
    assert chart["limits"][0]["value"] == agreement.limits_w.bias
    axes = agreement_axes([agreement])
    beyond = np.sum(
        (difference_w < axes.difference_w[0])
        | (difference_w > axes.difference_w[1])
        | (agreement.seconds.mean_w < axes.mean_w[0])
        | (agreement.seconds.mean_w > axes.mean_w[1])
    )
    assert axes.outside(agreement) == beyond


def test_an_interval_is_drawn_where_its_numbers_are() -> None:
    mark = Mark("Cedar", -3.0, 0.5, 2.0, "differs")
    assert reach_pct([mark]) == 4
    drawn = str(verdict_svg(mark, 4.0))
    # The axis runs from 18 to 422, so 1 % is 50.5 wide about 220.
    assert 'd="M43.2 45.0H93.8' in drawn
    assert 'x="119.0" y="24.0" width="202.0"' in drawn
    assert "−3.00 ± 0.50" in drawn
    unknown = Mark("Birch", float("nan"), float("inf"), float("nan"), "undecided")
    assert "nothing to compare" in str(verdict_svg(unknown, reach_pct([unknown])))
    assert "nan" not in str(segments_svg("Birch", [unknown, mark], 4.0))


def test_numbers_are_written_for_people() -> None:
    assert number(-0.04, "+.1f") == "0.0"
    assert number(-1.25, "+.2f", "%") == "−1.25\u202f%"
    assert number(float("nan")) == number(None) == "–"
    assert plus_minus(-0.7, 0.5) == "−0.70 ± 0.50"
    assert plus_minus(1.0, float("inf")) == "+1.00"
    assert typeset("-2.5 ± 2.0 % of a low-cadence step-1") == "−2.5\u00a0±\u00a02.0\u00a0% of a low-cadence step-1"
    assert clock(4025 * S) == "1:07:05"
    assert duration(740 * S) == "12 min 20 s"
    assert utc(10**30) == "–"
