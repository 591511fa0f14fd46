"""What a relay and a recorder tell of each other, and how soon: nothing that arrives must be told within 5 s."""

from __future__ import annotations

from collections.abc import Iterator

from recorder.relay_presence import RelayPresence
from recorder.relay_watch import RelayWatch

S = 10**9
NOTICED_S = 5.0
STEP_S = 0.25


def seconds(first: float, last: float) -> Iterator[float]:
    at_s = first
    while at_s <= last:
        yield at_s
        at_s += STEP_S


def watch() -> tuple[RelayWatch, list[str]]:
    said: list[str] = []
    return RelayWatch(said.append, "mqtt://broker:1883, session quayside, as pocket", "some/batch"), said


def test_a_relay_says_within_5_s_that_no_recorder_answers() -> None:
    watched, said = watch()
    watched.connection(None, 0)
    for at_s in seconds(0, NOTICED_S):
        watched.look(round(at_s * S), 20, at_s, 0)
    assert len(said) == 1
    assert said[0].startswith("sends, but nothing arrives: no recorder answers at mqtt://broker:1883")
    assert "topic rules" in said[0]
    assert said[0].endswith("20 rows kept")


def test_a_relay_says_within_5_s_that_the_broker_drops_its_batches() -> None:
    watched, said = watch()
    watched.connection(None, 0)
    for at_s in seconds(0, 60):
        watched.recorder_heard(round(at_s * S))
        watched.arrived(round(min(at_s, 10.0) * S))
        watched.look(round(at_s * S), 5, max(0.0, at_s - 10), 0)
        if at_s < 10:
            assert said == ["a recorder is there, all arrives"]
        if at_s == 10 + NOTICED_S:
            assert "drops some/batch" in said[-1]
            assert "message_size_limit" in said[-1]
    assert len(said) == 2  # it stays as it is, and is said once


def test_a_relay_tells_a_recorder_that_left_from_a_broker_that_drops() -> None:
    watched, said = watch()
    watched.connection(None, 0)
    for at_s in seconds(0, 30):
        if at_s <= 10:
            watched.recorder_heard(round(at_s * S))
            watched.arrived(round(at_s * S))
        watched.look(round(at_s * S), 5, max(0.0, at_s - 10), 0)
    assert said[1:] == ["the recorder cannot be heard any more; 5 rows kept"]
    assert not watched.recorder_is_there(30 * S)


def test_a_recording_that_ends_in_order_is_told_at_once_and_once_until_the_next_begins() -> None:
    watched, said = watch()
    watched.connection(None, 0)
    watched.recorder_heard(S)
    watched.look(S, 0, 0.0, 0)
    watched.recorder_finished()
    assert not watched.recorder_is_there(S)
    for at_s in seconds(1, 60):
        watched.look(round(at_s * S), round(at_s), at_s, 0)
    assert said[1:] == ["the recording has ended; what the sensors send is kept for the next one"]
    watched.recorder_heard(60 * S)
    watched.arrived(60 * S)
    watched.look(61 * S, 55, 50.0, 0)
    watched.look(62 * S, 0, 0.1, 0)
    assert said[2:] == [
        "a recorder is there; 55 kept rows go to it, the oldest 50 s old",
        "a recorder is there, all arrives",
    ]


def test_a_slow_link_is_told_as_such() -> None:
    watched, said = watch()
    watched.connection(None, 0)
    for at_s in seconds(0, 30):
        watched.recorder_heard(round(at_s * S))
        watched.arrived(round(at_s * S))
        watched.look(round(at_s * S), 50, 6.0 if at_s > 5 else 0.0, 0)
    watched.look(31 * S, 0, 0.1, 0)
    assert said[1:] == ["the link is slow: 6 s behind, 50 rows kept", "a recorder is there, all arrives"]


def test_the_same_trouble_is_told_once_and_its_end_too() -> None:
    watched, said = watch()
    for at_s in range(5):
        watched.connection("no broker listens there.", at_s * S)
        watched.look(at_s * S, 5, 3, 0)
    watched.connection(None, 6 * S)
    watched.connection("the connection was lost", 7 * S)
    assert [words.partition(":")[0] for words in said] == ["no broker", "broker reached again", "no broker"]


def test_lost_rows_are_told_as_they_double() -> None:
    watched, said = watch()
    for lost in range(1, 101):
        watched.look(lost * S, 5, 600, lost)
    assert [int(words.split()[0]) for words in said] == [1, 3, 7, 15, 31, 63]


# -- the recorder's side ---------------------------------------------------------------------------------------


def presence() -> tuple[RelayPresence, list[tuple[str, str]]]:
    told: list[tuple[str, str]] = []
    relay = RelayPresence("pocket", lambda state, words: told.append((state, words)), lambda ns: f"at {ns // S}", 0)
    return relay, told


def test_a_relay_that_falls_silent_is_told_offline_since_then_within_8_s() -> None:
    relay, told = presence()
    for at_s in seconds(0, 18):
        if at_s <= 10:
            relay.heard(round(at_s * S))
        relay.look(round(at_s * S))
    assert told == [
        ("online", "relay pocket is there"),
        ("offline", "relay pocket offline since at 10; it keeps what it has"),
    ]
    relay.heard(70 * S)
    assert told[-1] == ("online", "relay pocket is there again after 60 s")


def test_the_brokers_word_that_it_vanished_counts_at_once() -> None:
    relay, told = presence()
    relay.heard(3 * S)
    relay.vanished(4 * S, ended=False)
    relay.vanished(5 * S, ended=True)
    assert told[1:] == [("offline", "relay pocket offline since at 3 (the broker lost it); it keeps what it has")]


def test_the_reason_why_nothing_is_heard_is_told_with_it() -> None:
    relay, told = presence()
    relay.trouble = "mqtt://broker:1883: no broker listens there."
    for at_s in seconds(0, 8):
        relay.look(round(at_s * S))
    assert told == [("absent", "relay pocket has not been heard yet (mqtt://broker:1883: no broker listens there)")]


def test_where_a_relay_is_looked_for_is_told_so_that_another_session_is_noticed() -> None:
    relay, told = presence()
    relay.where = "mqtts://broker:8883, session quayside"
    for at_s in seconds(0, 8):
        relay.look(round(at_s * S))
    where = "listening at mqtts://broker:8883, session quayside: is it started there?"
    assert told == [("absent", f"relay pocket has not been heard yet; {where}")]


def test_heard_but_nothing_arrives_is_told_within_5_s() -> None:
    relay, told = presence()
    for at_s in seconds(0, NOTICED_S):
        relay.heard(round(at_s * S))
        relay.owed(at_s > 0, round(at_s * S))
        relay.look(round(at_s * S))
    assert told[-1][0] == "blocked"
    relay.delivered(S)
    relay.look(6 * S)
    assert told[-1] == ("well", "relay pocket has caught up")


def test_rows_that_come_late_are_told_with_their_lag() -> None:
    relay, told = presence()
    relay.heard(0)
    for lag_s in (1, 4, 12, 9, 6, 4, 3, 1):
        relay.delivered(lag_s * S)
        relay.look(0)
    assert told[1:] == [("behind", "relay pocket is 12 s behind"), ("well", "relay pocket has caught up")]
