"""The session: journal first, then counts and onlookers, and nothing that fails there reaches the source."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from analysis.rows import Event, Row
from recorder.recording_session import GAP_NS, RecordingSession
from recorder.source import Identity
from tests.riding import POWER, FakeLog

START_NS = 7_000_000_000


class Clock:
    name = "fake"

    def __init__(self) -> None:
        self.ns = START_NS

    def now_ns(self) -> int:
        return self.ns

    def awake_ns(self) -> int:
        return self.ns

    def utc_ns(self) -> int:
        return 10**18 + self.ns


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def log() -> FakeLog:
    return FakeLog()


@pytest.fixture
def session(clock: Clock, log: FakeLog) -> RecordingSession:
    return RecordingSession(clock, log, ["Alder", "Birch"])


def test_stamps_count_from_the_start(session: RecordingSession, log: FakeLog, clock: Clock) -> None:
    session.received(START_NS + 5, "Alder", "2a63", POWER)
    clock.ns += 9
    session.happened(Event.MARK, text="here")
    assert [row.host_ns for row in log.rows] == [5, 9]
    assert log.rows[0] == Row(5, "notification", "Alder", "2a63", POWER)


def test_the_journal_has_a_row_before_anybody_sees_it(clock: Clock, log: FakeLog) -> None:
    seen: list[tuple[int, float]] = []

    def look(row: Row, fields: Mapping[str, Any]) -> None:
        seen.append((len(log.rows), fields["power_w"]))
        assert log.rows[-1] == row

    session = RecordingSession(clock, log, ["Alder"], [look])
    session.received(START_NS, "Alder", "2a63", POWER)
    assert seen == [(1, 200)]


def test_a_sensor_that_falls_silent_for_good_has_a_gap(session: RecordingSession, clock: Clock) -> None:
    session.received(START_NS, "Alder", "2a63", POWER)
    for _ in range(10):
        clock.ns += 1_000_000_000
        session.received(clock.ns, "Birch", "2a63", POWER)
        session.received(clock.ns, "Alder", "2a19", b"\x50")  # a battery level is no measurement
    session.close()
    session.received(clock.ns, "Birch", "2a63", POWER)
    assert {name: (counts.rows, counts.gaps) for name, counts in session.counts.items()} == {
        "Alder": (11, 1),
        "Birch": (10, 0),
    }


def test_an_onlooker_that_raises_is_counted_and_costs_nothing(clock: Clock, log: FakeLog) -> None:
    seen: list[Row] = []

    def broken(row: Row, fields: Mapping[str, Any]) -> None:
        raise RuntimeError("no screen")

    session = RecordingSession(clock, log, ["Alder"], [broken, lambda row, fields: seen.append(row)])
    for number in range(40):
        session.received(START_NS + number, "Alder", "2a63", POWER)
    session.happened(Event.MARK, text="x")
    assert session.onlooker_faults == 41
    assert len(log.rows) == len(seen) == 41
    assert session.counts["Alder"].rows == 40


def test_a_gap_is_more_than_the_hold_limit_without_a_notification(session: RecordingSession) -> None:
    at_ns = START_NS
    for step_ns in (0, GAP_NS, GAP_NS + 1, 1000):
        at_ns += step_ns
        session.received(at_ns, "Alder", "2a63", POWER)
    assert session.counts["Alder"].gaps == 1


def test_reads_and_indications_are_rows_that_neither_open_nor_close_a_gap(session: RecordingSession) -> None:
    session.received(START_NS, "Alder", "2a63", POWER)
    session.received(START_NS + GAP_NS, "Alder", "2a19", b"\x40", "read")
    session.received(START_NS + GAP_NS + 1, "Alder", "2a63", POWER)
    assert session.counts["Alder"].rows == 3
    assert session.counts["Alder"].gaps == 1


def test_what_is_not_understood_is_kept_counted_and_said_once_each(session: RecordingSession, log: FakeLog) -> None:
    session.received(START_NS, "Alder", "2a63", b"\x01")
    assert [row.payload for row in log.payload_rows] == [b"\x01"]
    (event,) = log.events(Event.NOT_UNDERSTOOD)
    assert event.sensor == "Alder"
    assert event.detail["characteristic"] == "2a63"
    assert session.counts["Alder"].not_understood == 1


def test_an_unknown_sensor_name_is_kept(session: RecordingSession, log: FakeLog) -> None:
    session.received(START_NS, "Rowan", "2a63", POWER)
    session.happened(Event.LINK_LOST, "Rowan", reason="gone")
    assert [row.sensor for row in log.rows] == ["Rowan", "Rowan"]
    assert session.counts["Rowan"].rows == 1


def test_dropped_duplicates_are_counted_by_sensor(session: RecordingSession) -> None:
    session.happened(Event.DUPLICATE_DROPPED, "Birch", characteristic="2a63", payload="00")
    assert session.counts["Birch"].duplicates_dropped == 1
    assert session.counts["Alder"].duplicates_dropped == 0


def test_an_identity_goes_to_metadata_and_into_a_row_without_what_is_unknown(
    session: RecordingSession, log: FakeLog
) -> None:
    session.identified("Alder", Identity(serial="0042", battery_pct=71))
    said = {"serial": "0042", "battery_pct": 71}
    assert log.metadata == [{"sensors": {"Alder": said}}]
    assert log.events(Event.IDENTIFIED)[0].detail == said


def test_after_the_end_nothing_is_taken(session: RecordingSession, log: FakeLog) -> None:
    session.open = False
    session.received(START_NS, "Alder", "2a63", POWER)
    session.happened(Event.MARK, text="late")
    session.identified("Alder", Identity(serial="0042"))
    session.anchor_utc()
    assert log.rows == []
    assert log.metadata == []
    assert session.counts["Alder"].rows == 0


def test_an_anchor_ties_both_clocks(session: RecordingSession, log: FakeLog, clock: Clock) -> None:
    clock.ns += 3
    session.anchor_utc()
    assert log.metadata == [{"utc_anchors": {"3": 10**18 + START_NS + 3}}]
