"""From rows to what a screen shows: links, values, verdicts, plan, cautions, troubles and messages at any instant."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from analysis.bench_file import Bench, parse_bench
from analysis.errors import WattproofError
from analysis.plan_file import Plan
from analysis.row_samples import SampleGatherer
from analysis.rows import Event, Row
from recorder.control_words import Tell
from recorder.errors import JournalDamaged
from recorder.journal import JournalEncoder
from recorder.live_snapshot import MeterView, Snapshot
from recorder.live_window import JournalFollower, LiveWindow
from recorder.plan_view import plan_view
from recorder.snapshot_maker import SnapshotMaker
from tests.riding import Journal, journal_header, number_in, plan_of

S = 1_000_000_000
BENCH = parse_bench(
    b'[bench]\nname = "Quayside bench"\nreference = "Alder"\n'
    b'[[meter]]\nname = "Alder"\nplace = "pedals"\nsides = "both"\nclaim_pct = 1\naddress = "F0:00:00:00:00:01"\n'
    b'[[meter]]\nname = "Birch"\nplace = "spider"\nsides = "inferred"\nclaim_pct = 1\naddress = "F0:00:00:00:00:02"\n'
    b'[[meter]]\nname = "Dogwood"\nplace = "crank"\ncombine = "sum"\n'
    b'addresses = ["F0:00:00:00:00:03", "F0:00:00:00:00:04"]\n'
    b'[[sensor]]\nname = "Elm"\nkind = "cadence"\naddress = "F0:00:00:00:00:05"\n'
)
PLAN = plan_of(
    'name = "warm-up"\nkind = "warm-up"\nseconds = 60',
    'name = "steady"\nkind = "steady"\nseconds = 120\ntarget_w = 200\ncadence_rpm = 90\nuntil = "decided"',
    'name = "sprint"\nkind = "sprint"\nseconds = 10\ntarget_w = 700\nposture = "standing"\nrepeat = 2\nrest_s = 60',
    'name = "sway"\nkind = "sway"\nseconds = 30\nposture = "side-to-side"',
)


def tell(recorded_s: float, plan: Plan | None = None, bench: Bench = BENCH, **changes: Any) -> Tell:
    known: dict[str, Any] = {
        "journals": ("/rides/ride.journal",),
        "turn": None,
        "resting": False,
        "turn_elapsed_s": 0.0,
        "turn_left_s": 0.0,
        "skipped": (),
        "repeated": (),
        "live": (),
        **changes,
    }
    return Tell(recorded_s, bench=bench.as_dict(), plan=None if plan is None else plan.as_dict(), **known)


class Ride:
    """Rows as they come: notifications of 1 Hz, and events."""

    def __init__(self) -> None:
        self.gatherer = SampleGatherer()
        self.rows: list[tuple[Row, Mapping[str, Any]]] = []

    def sends(self, sensor: str, from_s: float, to_s: float, **fields: float | str) -> Ride:
        characteristic = "2a63" if "power_w" in fields else "2a5b"
        for second in range(math.ceil(from_s), math.ceil(to_s)):
            self.rows.append((Row(second * S, "notification", sensor, characteristic, b""), fields))
        return self

    def happens(self, at_s: float, event: str, sensor: str | None = None, **detail: Any) -> Ride:
        self.rows.append((Row(round(at_s * S), "event", sensor, event=event, detail=detail), {}))
        return self

    def shown(self, now_s: float, told: Tell | None = None, **options: Any) -> Snapshot:
        gatherer = SampleGatherer()
        for row, fields in sorted(self.rows, key=lambda pair: pair[0].host_ns):
            if row.host_ns <= now_s * S:
                gatherer.add(row, fields)
        return SnapshotMaker().snapshot(gatherer, told or tell(now_s), round(now_s * S), **options)


def meter(snapshot: Snapshot, name: str) -> MeterView:
    return next(m for m in snapshot.meters if m.name == name)


def both(seconds: int) -> Ride:
    ride = Ride().sends("Alder", 0, seconds, power_w=200, cadence_rpm=90.0, balance_left_pct=48.0)
    return ride.sends("Birch", 0, seconds, power_w=202, cadence_rpm=90.0)


# -- links and values -----------------------------------------------------------------------------------------------


def test_before_anything_is_heard_all_wait() -> None:
    ride = Ride().happens(1, Event.LINK_WAITING, "Birch", reason="not advertising")
    shown = ride.shown(3)
    assert [(m.name, m.link, m.judged) for m in shown.meters] == [
        ("Alder", "waiting", True),
        ("Birch", "waiting", True),
        ("Dogwood", "waiting", True),
        ("Elm", "waiting", False),
    ]
    assert meter(shown, "Birch").note == "not advertising"
    assert math.isnan(meter(shown, "Alder").power_w)
    assert (shown.bench, shown.reference) == ("Quayside bench", "Alder")
    assert [(s.running, dict(s.mean_power_w)) for s in shown.segments] == [(True, {})]


@pytest.mark.parametrize(
    ("now_s", "link", "power_w"),
    [(9.5, "live", 200), (15.5, "silent", None), (20.5, "lost", None), (32, "back", 180), (45, "live", 180)],
)
def test_a_link_goes_through_its_states(now_s: float, link: str, power_w: float | None) -> None:
    ride = Ride().happens(0, Event.LINK_FOUND, "Alder").sends("Alder", 0, 11, power_w=200, cadence_rpm=90.0)
    ride.happens(20, Event.LINK_LOST, "Alder", reason="out of range").happens(30, Event.LINK_FOUND, "Alder")
    ride.sends("Alder", 31, 60, power_w=180, cadence_rpm=88.0)
    view = meter(ride.shown(now_s), "Alder")
    assert view.link == link
    assert view.power_w == power_w if power_w is not None else math.isnan(view.power_w)
    assert view.note == ("out of range" if link == "lost" else "")


def test_a_failed_connection_is_shown_with_the_time_to_the_next_try() -> None:
    ride = Ride().happens(10, Event.LINK_WAITING, "Birch", reason="no answer", next_try_s=8.4, failures=4)
    ride.happens(20, Event.LINK_WAITING, "Birch", reason="not advertising", next_try_s=10.0, failures=0)
    notes = [meter(ride.shown(now_s), "Birch").note for now_s in (10, 14, 18.3, 18.5, 21)]
    assert notes == [
        "next try in 9 s: no answer",
        "next try in 5 s: no answer",
        "next try in 1 s: no answer",
        "no answer",
        "not advertising",
    ]


def test_values_are_those_of_the_moment() -> None:
    view = meter(both(30).shown(29.5), "Alder")
    assert (view.power_w, view.cadence_rpm, view.left_share_pct) == (200, 90, 48)
    assert view.is_reference
    assert view.silent_s == pytest.approx(0.5)


def test_two_radios_are_summed_and_the_worse_link_counts() -> None:
    ride = both(30).sends("Dogwood/1", 0, 30, power_w=101).sends("Dogwood/2", 0, 20, power_w=99)
    early, late = meter(ride.shown(15.5), "Dogwood"), meter(ride.shown(29.5), "Dogwood")
    assert (early.link, early.power_w) == ("live", 200)
    assert late.link == "silent"
    assert math.isnan(late.power_w)


def test_the_battery_is_the_one_sent_last_or_read_when_linked() -> None:
    ride = (
        both(30)
        .happens(1, Event.IDENTIFIED, "Alder", battery_pct=80)
        .happens(1, Event.IDENTIFIED, "Birch", battery_pct=60)
    )
    ride.rows.append((Row(10 * S, "notification", "Birch", "2a19", b""), {"battery_pct": 55}))
    shown = ride.shown(20)
    assert (meter(shown, "Alder").battery_pct, meter(shown, "Birch").battery_pct) == (80, 55)
    assert math.isnan(meter(shown, "Elm").battery_pct)


# -- figures --------------------------------------------------------------------------------------------------------


def test_a_ride_without_plan_is_one_running_segment() -> None:
    shown = both(120).shown(119.5)
    (row,) = shown.segments
    assert (row.running, row.name) == (True, "whole ride")
    assert row.difference_pct["Birch"] == pytest.approx(1.0)
    assert meter(shown, "Alder").steady is None
    steady, window = meter(shown, "Birch").steady, meter(shown, "Birch").window
    assert steady is not None
    assert steady.word == "undecided"
    assert window is not None
    assert (window.difference_w, window.seconds, shown.window_s) == (2, 30, 30)


def test_segments_are_listed_as_they_end_and_run() -> None:
    ride = both(200)
    ride.happens(10, Event.SEGMENT_START, segment_no=1, name="steady", step_kind="steady", settle_s=5)
    ride.happens(70, Event.SEGMENT_END, segment_no=1, ended_by="plan")
    ride.happens(80, Event.SEGMENT_START, segment_no=2, name="sprint", step_kind="sprint")
    shown = ride.shown(100.2, tell(100.2, PLAN))
    assert [(r.segment_no, r.name, r.running, r.seconds) for r in shown.segments] == [
        (1, "steady", False, 60.0),
        (2, "sprint", True, 20.0),
    ]
    assert shown.segments[0].mean_power_w == {"Alder": 200, "Birch": 202}
    running = meter(shown, "Birch").segment
    assert running is not None
    assert running.why_not == "sprints are judged together"
    assert both(30).shown(29, tell(29, PLAN)).segments == ()


def test_the_reference_may_change_on_screen_or_for_all() -> None:
    ride = both(60)
    for shown in (ride.shown(59, reference="Birch"), ride.shown(59, tell(59, reference="Birch"))):
        assert shown.reference == "Birch"
        window = meter(shown, "Alder").window
        assert window is not None
        assert window.difference_w == -2


def test_the_trend_is_one_value_each_five_seconds() -> None:
    shown = both(120).shown(119.5)
    trend = meter(shown, "Birch").trend_pct
    assert (shown.trend_step_s, len(trend)) == (5.0, 23)
    assert trend[-5:] == pytest.approx([1.0] * 5)


def test_the_same_given_is_the_same_shown_whatever_was_shown_before() -> None:
    ride = both(200).happens(50, Event.SEGMENT_START, segment_no=1, name="steady", step_kind="steady")
    ride.happens(120, Event.SEGMENT_END, segment_no=1, ended_by="plan")
    ride.happens(130, Event.LAG_ADOPTED, meter="Birch", reference="Alder", lag_s=1.2, half_width_s=0.2)
    maker, gatherer = SnapshotMaker(), SampleGatherer()
    for row, fields in sorted(ride.rows, key=lambda pair: pair[0].host_ns):
        gatherer.add(row, fields)
        now_s = row.host_ns / S
        maker.snapshot(gatherer, tell(now_s, PLAN), row.host_ns)
    last_s = gatherer.last_ns / S
    assert repr(maker.snapshot(gatherer, tell(last_s, PLAN), gatherer.last_ns)) == repr(
        ride.shown(last_s, tell(last_s, PLAN))
    )


# -- plan -----------------------------------------------------------------------------------------------------------


def states(**at: Any) -> list[str]:
    return [s.state for s in plan_view(PLAN, tell(100, PLAN, **at), 100).steps]


def test_the_plan_says_where_the_ride_is() -> None:
    assert states(coming=0) == ["next", "later", "later", "later", "later"]
    assert states(plan_begun=True, turn=1, coming=2) == ["done", "now", "next", "later", "later"]
    assert states(plan_begun=True, turn=1, coming=3, skipped=(2,)) == ["done", "now", "skipped", "next", "later"]
    assert states(plan_begun=True, resting=True, coming=3) == ["done", "done", "done", "next", "later"]
    assert states(plan_begun=True, turn=1, coming=1) == ["done", "now", "later", "later", "later"]
    assert states(plan_begun=True) == ["done"] * 5


def test_the_next_step_is_announced_ten_seconds_before() -> None:
    def announced(left_s: float, now_s: float = 100, **at: Any) -> str:
        return plan_view(PLAN, tell(100, PLAN, plan_begun=True, turn_left_s=left_s, **at), now_s).announce

    assert announced(11, turn=0, coming=1) == ""
    assert announced(11, 102.5, turn=0, coming=1) == "in 9 s: steady, 200 W, 90 rpm"
    assert announced(4, turn=1, coming=2) == "in 4 s: sprint #1, 700 W, standing"
    assert announced(4, turn=2, coming=3) == "in 4 s: easy for 60 s"
    assert announced(4, resting=True, coming=3) == "in 4 s: sprint #2, 700 W, standing"
    assert announced(4, turn=4) == "in 4 s: the plan ends"


def test_care_is_asked_for_before_and_during_hard_efforts() -> None:
    def caution(left_s: float, **at: Any) -> str:
        return plan_view(PLAN, tell(100, PLAN, plan_begun=True, turn_left_s=left_s, **at), 100).caution

    assert caution(60, turn=1, coming=2) == ""
    assert caution(20, turn=1, coming=2).startswith("Maximal effort next: only if you are warm")
    assert caution(60, resting=True, coming=3).startswith("Maximal effort next: ")
    assert caution(60, turn=2, coming=3).startswith("Maximal effort: ")
    assert caution(20, turn=3, coming=4).startswith("Maximal effort: ")
    for words in (caution(9, turn=4), caution(20, resting=True, coming=4)):
        assert "chest discomfort" in words
        assert "secured" in words


def test_time_goes_on_between_two_words_of_the_recorder() -> None:
    view = plan_view(
        PLAN, tell(100, PLAN, plan_begun=True, turn=1, coming=2, turn_elapsed_s=10, turn_left_s=110), 100.7
    )
    assert (view.elapsed_s, view.left_s) == pytest.approx((10.7, 109.3))
    assert (view.until_decided, view.target_cadence_rpm) == (True, 90)
    assert view.step is not None
    assert view.step.name == "steady"


# -- troubles and messages ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "well", "health"),
    [
        ("", True, "well"),
        ("disk well again", True, "well"),
        ("disk slow: 1.2 s", False, "watch"),
        ("disk full", False, "bad"),
    ],
)
def test_the_disk_is_as_the_recorder_says(words: str, well: bool, health: str) -> None:
    shown = both(10).shown(9, tell(9, storage_words=words, storage_well=well))
    assert (shown.disk, shown.disk_words) == (health, words)


@pytest.mark.parametrize(
    ("event", "detail", "now_s", "health"),
    [
        (Event.HOST_STOOD_STILL, {"still_s": 0.4}, 12, "watch"),
        (Event.HOST_STOOD_STILL, {"still_s": 3.0}, 12, "bad"),
        (Event.SUSPENDED, {"asleep_s": 40.0}, 12, "bad"),
        (Event.SUSPENDED, {"asleep_s": 40.0}, 80, "well"),
    ],
)
def test_a_clock_that_stood_still_is_told_for_a_minute(
    event: str, detail: dict[str, Any], now_s: float, health: str
) -> None:
    shown = both(90).happens(10, event, **detail).shown(now_s)
    assert shown.clock == health
    assert bool(shown.clock_words) == (health != "well")


def test_messages_are_in_order_and_said_once() -> None:
    ride = both(60).happens(5, Event.MARK, text="clap")
    for at_s in (10, 12, 16):
        ride.happens(at_s, Event.LINK_WAITING, "Elm", reason="not advertising")
    ride.happens(20, Event.NOTE, text="the source failed").happens(21, Event.BURST, "Alder", count=4, span_s=1.0)
    said = ((2.0, "recovered one ride"), (20.1, "the source failed"), (30.0, "marked: clap"))
    texts = [m.text for m in ride.shown(50, tell(50, said=said)).messages]
    assert texts == [
        "recovered one ride",
        "clap",
        "Elm: waiting: not advertising",
        "the source failed",
        "marked: clap",
    ]


def test_text_of_devices_cannot_reach_a_terminal_raw() -> None:
    ride = (
        both(30)
        .happens(5, Event.NOTE, "Alder", text="\x1b[2Jgone")
        .happens(6, Event.ZERO_ANSWERED, "Alder", words="ok\x07")
    )
    ride.happens(7, Event.SEGMENT_START, segment_no=1, name="\x1b]0;x", step_kind="free")
    shown = ride.shown(20, tell(20, said=((1.0, "\x9b1m"),)))
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in repr(shown).replace("\n", " "))
    assert all("\\x" not in repr(m.text) for m in shown.messages)
    assert shown.zero_answers["Alder"].startswith("ok")
    assert "\\x" not in repr((shown.zero_answers, shown.segments))


def test_the_end_is_told() -> None:
    ended = tell(30, finishing=True, ended=True, ended_words="saved", recording="/rides/ride.parquet")
    shown = both(30).shown(29, ended)
    assert (shown.finishing, shown.ended, shown.ended_words) == (True, True, "saved")
    assert shown.recording == "/rides/ride.parquet"
    assert both(30).shown(29).recording == "/rides/ride.journal"


def test_a_bench_that_is_none_is_refused_in_words() -> None:
    told = Tell(1.0, (), {"bench": 3}, None, None, False, 0.0, 0.0, (), (), ())
    with pytest.raises(WattproofError):
        SnapshotMaker().snapshot(SampleGatherer(), told, S)


# -- following a journal --------------------------------------------------------------------------------------------


def numbers(rows: list[Row]) -> list[int]:
    return [number_in(row.payload) for row in rows if row.payload is not None]


def test_a_torn_frame_waits_for_its_rest(tmp_path: Path) -> None:
    journal = Journal(rows=3).end()
    data, path = journal.all_bytes(), tmp_path / "ride.journal"
    follower = JournalFollower(lambda: [path] if path.exists() else [])
    assert follower.read() == []
    found: list[int] = []
    for end in range(1, len(data) + 1):
        path.write_bytes(data[:end])
        found += numbers(follower.read())
        assert len(found) <= 3
    assert found == [0, 1, 2]
    assert follower.end == {"reason": "duration", "finished_ns": 0}
    assert follower.metadata["bench"]["bench"]["name"] == "Quayside bench"
    assert follower.session_id == "ride-1"


def test_work_is_bounded_and_what_is_left_comes_next(tmp_path: Path) -> None:
    path = Journal(rows=500).put(tmp_path)
    follower = JournalFollower(lambda: [path])
    first = follower.read(limit=4000)
    assert follower.behind
    assert 0 < len(first) < 200
    found = numbers(first)
    while follower.behind:
        found += numbers(follower.read(limit=4000))
    assert found == list(range(500))


def test_damage_costs_what_it_hit(tmp_path: Path) -> None:
    journal = Journal(rows=10)
    journal.frames[4] = b"\x00" * len(journal.frames[4])
    follower = JournalFollower(lambda: [journal.put(tmp_path)])
    assert numbers(follower.read()) == [0, 1, 2, 3, 5, 6, 7, 8, 9]


def test_a_further_file_goes_on_where_the_first_ended_and_strangers_are_left_out(tmp_path: Path) -> None:
    journal = Journal(rows=10)
    first, second, other = tmp_path / "a", tmp_path / "b", tmp_path / "c"
    first.write_bytes(journal.preamble + b"".join(journal.frames[:7]))
    paths = [first]
    follower = JournalFollower(lambda: paths)
    assert numbers(follower.read()) == list(range(7))
    update = journal.encoder.metadata({"sensors": {"Alder": {"serial": "42"}}})
    second.write_bytes(journal.encoder.preamble() + b"".join(journal.frames[5:]) + update)
    stranger = JournalEncoder("other", journal_header(), seed=9)
    other.write_bytes(stranger.preamble() + stranger.payload(1, "Alder", "2a63", bytes(12)))
    paths += [other, second]
    assert numbers(follower.read()) == [7, 8, 9]
    assert follower.metadata["sensors"] == {"Alder": {"serial": "42"}}
    assert follower.read() == []


def test_a_journal_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    from recorder import journal_frames as frames

    header = frames.Header("ride-1", 5, [], {}, version=99)
    path = tmp_path / "ride.journal"
    path.write_bytes(frames.frame_bytes(frames.HEADER, 0, frames.header_body(header), 0))
    with pytest.raises(JournalDamaged, match="newer"):
        JournalFollower(lambda: [path]).read()


def test_a_file_that_is_gone_is_no_trouble(tmp_path: Path) -> None:
    path = Journal(rows=5).put(tmp_path)
    window = LiveWindow(JournalFollower(lambda: [path]))
    assert window.refresh() == 5
    path.unlink()
    assert window.refresh() == 0
    assert window.gatherer.samples()["Alder"].power_w.values.tolist() == [200.0] * 5
