"""A recording without a screen tells which sensors are there, which are not, and what is to be ridden."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from analysis.rows import Event, Row
from recorder.plain_lines import PlainLines
from recorder.plan_runner import PlanState
from tests.riding import plan_of

S = 1_000_000_000


def happened(at_s: float, event: str, sensor: str | None = None, **detail: Any) -> Row:
    return Row(round(at_s * S), "event", sensor, event=event, detail=detail)


def test_each_change_of_a_sensor_is_a_line() -> None:
    told: list[str] = []
    lines = PlainLines(told.append)
    for row in (
        happened(3, Event.LINK_FOUND, "Alder", attempt=1, rssi_dbm=-60),
        Row(4 * S, "notification", "Alder", "2a63", b"\x00\x00\xc8\x00"),
        happened(20, Event.LINK_WAITING, "Birch", reason="it is not advertising"),
        happened(50, Event.LINK_WAITING, "Birch", reason="it is not advertising"),
        happened(61, Event.LINK_LOST, "Alder", reason="the radio link fell"),
        happened(62, Event.DUPLICATE_DROPPED, "Alder"),
        happened(63, Event.LINK_FOUND, "Alder", attempt=2, rssi_dbm=-61),
        happened(125, Event.FINISHED, reason="SIGINT"),
    ):
        lines(row, {})
    assert told == [
        "  0:03  Alder: linked, signal -60 dBm",
        "  0:20  Birch: waiting: it is not advertising",
        "  1:01  Alder: link lost: the radio link fell",
        "  1:03  Alder: linked, signal -61 dBm",
    ]


def test_what_is_noted_and_said_is_one_line() -> None:
    told: list[str] = []
    lines = PlainLines(told.append)
    lines(happened(5, Event.NOTE, text="the sync failed"), {})
    lines.say("the sync failed")
    lines.say("starting without Birch")
    assert told == ["  0:05  the sync failed", "  0:05  starting without Birch"]


def test_each_turn_of_the_plan_is_a_line_whatever_a_hand_does_to_its_length() -> None:
    step = 'name = "steady 200"\nkind = "steady"\nseconds = 60\ntarget_w = 200\nposture = "standing"'
    plan = plan_of(f"{step}\nrepeat = 2\nrest_s = 5")
    first, second = plan.turns()
    told: list[str] = []
    lines = PlainLines(told.append)
    state = PlanState(first, second, ends_at_s=60.0, began_at_s=0.0, number=0, following_number=1)
    lines.on_plan(state)
    lines.on_plan(replace(state, ends_at_s=90.0))
    lines.on_plan(PlanState(None, second, ends_at_s=95.0, began_at_s=90.0, following_number=1))
    lines.on_plan(PlanState(second, None, ends_at_s=155.0, began_at_s=95.0, number=1))
    assert told == [
        "  0:00  steady 200: 60 s, 200 W, standing",
        "  0:00  rest: 5 s",
        "  0:00  steady 200: 60 s, 200 W, standing",
    ]


def test_text_from_a_device_cannot_steer_a_terminal() -> None:
    told: list[str] = []
    PlainLines(told.append)(happened(1, Event.LINK_LOST, "Al\x1b[2Jder", reason="\x1b]0;owned\x07"), {})
    assert "\x1b" not in told[0]
    assert "\x07" not in told[0]
