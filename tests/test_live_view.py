"""A screen's supply of snapshots: catching up, going on between the recorder's words, and the end of it all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from recorder.control_words import Ask, Tell
from recorder.errors import NotRecording
from recorder.live_view import LiveView
from tests.riding import Journal, one_meter_bench

S = 1_000_000_000


class FakeRecorder:
    def __init__(self, tell: Tell | None) -> None:
        self.tell = tell
        self.closed = False
        self.asked: list[Ask] = []

    def wait(self, _seconds: float) -> Tell | None:
        return self.tell

    def ask(self, ask: Ask) -> bool:
        self.asked.append(ask)
        return True


class FakeClock:
    name = "fake"

    def __init__(self) -> None:
        self.at_ns = 77 * S

    def now_ns(self) -> int:
        return self.at_ns

    def awake_ns(self) -> int:
        return self.at_ns

    def utc_ns(self) -> int:
        return self.at_ns


def told(recorded_s: float, *paths: Path, **changes: Any) -> Tell:
    journals = tuple(str(path) for path in paths)
    tell = Tell(recorded_s, journals, one_meter_bench().as_dict(), None, None, False, 0.0, 0.0, (), (), ("Alder",))
    return Tell(**{**{name: getattr(tell, name) for name in tell.__struct_fields__}, **changes})


def test_values_follow_the_journal(tmp_path: Path) -> None:
    path = Journal(rows=10).put(tmp_path)
    shown = LiveView(FakeRecorder(told(9.5, path)), FakeClock()).next_snapshot()
    (alder,) = shown.meters
    assert (alder.power_w, alder.link, shown.recorded_s) == (200, "live", 9.5)


def test_time_goes_on_between_two_words_and_ends_with_the_recording(tmp_path: Path) -> None:
    path = Journal(rows=10).put(tmp_path)
    recorder, clock = FakeRecorder(told(9.5, path)), FakeClock()
    view = LiveView(recorder, clock)
    view.next_snapshot()
    clock.at_ns += S // 2
    assert view.next_snapshot().recorded_s == 10.0
    recorder.tell = told(10.2, path)
    assert view.next_snapshot().recorded_s == 10.2
    recorder.tell = told(10.4, path, finishing=True)
    view.next_snapshot()
    clock.at_ns += 60 * S
    assert view.next_snapshot().recorded_s == 10.4


def test_a_late_screen_catches_up_and_shows_where_it_is(tmp_path: Path) -> None:
    path = Journal(rows=60_000).put(tmp_path)
    view = LiveView(FakeRecorder(told(60_000.0, path)), FakeClock())
    first = view.next_snapshot()
    assert 0 < first.recorded_s < 59_000
    assert first.meters[0].link == "live"
    while (shown := view.next_snapshot()).recorded_s < 60_000:
        assert shown.recorded_s > first.recorded_s
        first = shown


def test_choices_hold() -> None:
    recorder = FakeRecorder(told(1.0))
    view = LiveView(recorder, FakeClock())
    view.choose(window_s=180)
    view.choose(reference="Alder")
    assert view.next_snapshot().window_s == 180
    assert recorder.asked == [Ask("reference", sensor="Alder")]


def test_a_recorder_that_goes_ends_the_screen(tmp_path: Path) -> None:
    recorder = FakeRecorder(told(5.0, Journal(rows=5).put(tmp_path)))
    view = LiveView(recorder, FakeClock())
    assert not view.next_snapshot().ended
    recorder.closed = True
    shown = view.next_snapshot()
    assert shown.ended
    assert "recover" in shown.ended_words
    recorder.tell = told(5.0, ended=True, ended_words="saved")
    assert view.next_snapshot().ended_words == "saved"


def test_a_recorder_that_says_nothing_is_told() -> None:
    with pytest.raises(NotRecording):
        LiveView(FakeRecorder(None), FakeClock()).next_snapshot()
