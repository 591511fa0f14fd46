"""What a recorder makes of a relay's messages: rows, events, clock, and acknowledgements that can be relied upon."""

from __future__ import annotations

import errno
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.recording_reader import read_recording
from analysis.recording_schema import metadata_from_dict
from analysis.rows import Row
from recorder.journal import JournalEncoder
from recorder.journal_file import JournalFile
from recorder.journal_log import JournalLog
from recorder.journal_replay import replay_segments
from recorder.live_window import JournalFollower, LiveWindow
from recorder.recording_session import RecordingSession
from recorder.recording_writer import write_recording
from recorder.relay_clock import READY_AFTER
from recorder.relay_intake import RelayIntake
from recorder.relay_messages import Answer, Batch, Farewell, Hello, from_bytes
from recorder.relay_sender import RelaySender
from recorder.source import RelayedSink
from recorder.storage import SystemStorage
from tests.fake_storage import FakeStorage, os_error
from tests.relaying import relayed_bench
from tests.riding import POWER, FakeLog, journal_header

S = 10**9
BOOT, RECORDER = "0" * 16, "a" * 32
AHEAD_NS = 3 * S


@dataclass
class SetClock:
    """Shows what the test says."""

    now: int = 100 * S
    name: str = "set"

    def now_ns(self) -> int:
        return self.now

    def awake_ns(self) -> int:
        return self.now

    def utc_ns(self) -> int:
        return self.now


@dataclass
class HeldLog(FakeLog):
    """A log of which only the first `synced` records are safe."""

    synced: int = 0

    def safe(self) -> int:
        return self.synced


@dataclass
class Met:
    """An intake that has met its relay, whose clock is three seconds ahead."""

    log: Any = field(default_factory=HeldLog)
    clock: SetClock = field(default_factory=SetClock)
    sender: RelaySender = field(default_factory=lambda: RelaySender(BOOT))

    def __post_init__(self) -> None:
        self.session = RecordingSession(self.clock, self.log, ["Alder", "Birch"])
        assert isinstance(self.session, RelayedSink)
        self.intake = RelayIntake("pocket", ["Birch"], RECORDER, self.session, self.clock.now, str)
        self.sender.answered_by(RECORDER, self.clock.now)

    def hello(self) -> None:
        hello = Hello(
            boot=self.sender.boot, product="1", clock="c", next=self.sender.next_seq, kept_from=self.sender.kept_from
        )
        self.intake.take(hello, self.clock.now)

    def exchange(self, times: int = READY_AFTER) -> None:
        for _ in range(times):
            ask = self.intake.ask(self.clock.now)
            self.clock.now += S // 100
            relay_ns = self.clock.now + AHEAD_NS
            answer = Answer(
                recorder=RECORDER,
                boot=BOOT,
                t1_ns=ask.t1_ns,
                t2_ns=relay_ns,
                t3_ns=relay_ns,
                next=self.sender.next_seq,
            )
            self.clock.now += S // 100
            self.intake.take(answer, self.clock.now)

    def batches(self) -> list[Batch]:
        found = self.sender.batches(self.clock.now + AHEAD_NS)
        return [from_bytes("batch", part.data) for part in found]

    def send(self) -> None:
        for batch in self.batches():
            self.intake.take(batch, self.clock.now)

    def relayed(self) -> list[Row]:
        found: list[Row] = self.log.rows
        return [row for row in found if row.row_kind == "relayed"]

    def words(self) -> list[str]:
        return [str(row.detail["words"]) for row in self.log.events("relay")]


def test_a_row_is_put_at_its_time_on_the_recorders_clock_with_its_origin() -> None:
    met = Met()
    met.hello()
    met.exchange()
    sent_ns = met.clock.now
    met.sender.payload(sent_ns + AHEAD_NS, ("Birch", "2a63", "notification"), POWER)
    met.clock.now += 40 * S  # it was on the way for long
    met.exchange()
    met.send()
    (row,) = met.relayed()
    assert row.host_ns == pytest.approx(sent_ns - met.session.start_ns, abs=10_000_000)
    assert (row.origin_ns, row.origin_seq, row.payload) == (sent_ns + AHEAD_NS, 1, POWER)
    assert met.intake.live == {"Birch"}


def test_until_the_clock_is_known_rows_wait() -> None:
    met = Met()
    met.hello()
    met.sender.payload(met.clock.now + AHEAD_NS, ("Birch", "2a63", "notification"), POWER)
    met.exchange(2)
    met.send()
    assert met.relayed() == []
    met.exchange(READY_AFTER - 2)
    assert len(met.relayed()) == 1


def test_what_is_older_than_the_recording_is_not_of_it_and_is_acknowledged() -> None:
    met = Met()
    met.sender.payload(met.clock.now + AHEAD_NS - S, ("Birch", "2a63", "notification"), POWER)
    met.hello()
    met.exchange()
    met.send()
    met.log.synced = met.log.written()
    ack = met.intake.ack()
    assert ack is not None
    assert (met.relayed(), met.intake.before_start, ack.seen, ack.safe) == ([], 1, 1, 1)


def test_a_row_is_acknowledged_as_safe_only_when_the_log_says_so() -> None:
    met = Met()
    met.hello()
    met.exchange()
    for number in range(3):
        met.sender.payload(met.clock.now + AHEAD_NS, ("Birch", "2a63", "notification"), POWER)
        met.send()
        ack = met.intake.ack()
        assert ack is not None
        assert (ack.seen, ack.safe) == (number + 1, 0)
        met.sender.acknowledged(ack, met.clock.now)
    assert met.sender.kept == 3
    met.log.synced = met.log.written() - 1  # the last row is not
    ack = met.intake.ack()
    assert ack is not None
    assert ack.safe == 2


@pytest.mark.parametrize("seed", range(20))
async def test_what_was_called_safe_is_there_after_a_power_cut(tmp_path: Path, seed: int) -> None:
    """A real journal on a disk whose syncs fail now and then; the power may go at each moment."""
    rng = random.Random(seed)
    storage = FakeStorage()
    encoder = JournalEncoder("ride-1", journal_header(), seed=5)
    clock = SetClock()
    journal = JournalFile(storage, tmp_path, "ride", encoder, clock.now_ns, lambda words, detail: None)
    met = Met(log=JournalLog(encoder, journal), clock=clock)
    storage.fail = lambda call, _number, _path: os_error(errno.EIO) if call == "sync" and rng.random() < 0.2 else None
    met.hello()
    met.exchange()
    most_safe = 0
    for _ in range(60):
        for _ in range(rng.randrange(4)):
            met.sender.payload(clock.now + AHEAD_NS, ("Birch", "2a63", "notification"), POWER)
        met.send()
        if rng.random() < 0.4:
            await journal.sync()
        clock.now += S // 5
        ack = met.intake.ack()
        assert ack is not None
        kept = {row.origin_seq for row in replay_segments(storage.after_power_cut()).rows}
        assert set(range(1, ack.safe + 1)) <= kept
        met.sender.acknowledged(ack, clock.now)
        most_safe = max(most_safe, ack.safe)
    assert most_safe > 30
    await journal.finish({})


@pytest.mark.parametrize(
    ("event", "sensor"),
    [("segment_start", "Birch"), ("finished", None), ("link_lost", "Alder"), ("link_lost", None), ("relay", None)],
)
def test_events_that_are_not_a_relays_to_tell_are_passed_over(event: str, sensor: str | None) -> None:
    met = Met()
    met.hello()
    met.exchange()
    before = len(met.log.rows)
    met.sender.happened(met.clock.now + AHEAD_NS, event, sensor, {"name": "sprint"})
    met.send()
    assert (len(met.log.rows), met.intake.foreign) == (before, 1)


def test_rows_of_a_sensor_that_is_not_the_relays_are_passed_over() -> None:
    met = Met()
    met.hello()
    met.exchange()
    met.sender.payload(met.clock.now + AHEAD_NS, ("Alder", "2a63", "notification"), POWER)
    met.send()
    assert (met.relayed(), met.intake.foreign) == ([], 1)


def test_answers_that_nobody_asked_for_do_not_move_the_clock() -> None:
    met = Met()
    met.hello()
    met.exchange()
    known = met.intake.clock.state(met.clock.now)
    ask = met.intake.ask(met.clock.now)
    told: list[dict[str, Any]] = [
        {"t1_ns": ask.t1_ns + 1},
        {"recorder": "b" * 32},
        {"boot": "1" * 16},
        {"t2_ns": ask.t1_ns, "t3_ns": ask.t1_ns + S},
    ]
    for change in told:
        times = {"t1_ns": ask.t1_ns, "t2_ns": ask.t1_ns, "t3_ns": ask.t1_ns}
        answer = {"recorder": RECORDER, "boot": BOOT, "next": 1, **times}
        met.intake.take(Answer(**{**answer, **change}), met.clock.now)
    assert met.intake.clock.state(met.clock.now) == known
    assert met.intake.foreign == len(told)


def test_a_relay_that_was_started_anew_is_met_anew() -> None:
    met = Met()
    met.hello()
    met.exchange()
    met.sender.payload(met.clock.now + AHEAD_NS, ("Birch", "2a63", "notification"), POWER)
    met.send()
    met.sender = RelaySender("1" * 16)
    met.sender.answered_by(RECORDER, met.clock.now)
    met.hello()
    assert not met.intake.clock.ready
    assert met.intake.live == set()
    assert [row.detail["boot"] for row in met.log.events("relay") if row.detail["state"] == "found"] == [
        BOOT,
        "1" * 16,
    ]


def test_lost_rows_are_told_and_the_relay_is_not_asked_for_them_again() -> None:
    met = Met(sender=RelaySender(BOOT, keep_ns=10 * S))
    met.hello()
    met.exchange()
    for second in range(30):
        met.sender.payload(met.clock.now + AHEAD_NS + second * S, ("Birch", "2a63", "notification"), POWER)
    met.clock.now += 30 * S
    met.exchange()
    met.send()
    (lost,) = [row for row in met.log.events("relay") if row.detail["state"] == "lost"]
    assert (lost.detail["first"], lost.detail["last"]) == (1, 19)
    assert len(met.relayed()) == 11
    ack = met.intake.ack()
    assert ack is not None
    assert (ack.seen, ack.missing) == (30, [])


def test_a_relay_with_another_bench_file_is_told() -> None:
    met = Met()
    met.intake.take(Hello(boot=BOOT, product="1", clock="c", next=1, kept_from=1, sensors=["Cedar"]), met.clock.now)
    assert "relay pocket does not look for Birch: is its bench file the same?" in met.words()


def test_a_relays_troubles_are_told_as_its_own() -> None:
    met = Met()
    met.hello()
    met.exchange()
    met.sender.happened(met.clock.now + AHEAD_NS, "host_stood_still", None, {"still_s": 2.5})
    met.send()
    assert met.words()[-1].startswith("at relay pocket: the computer stood still for 2.5 s")
    assert met.log.events("host_stood_still") == []


def test_rows_that_come_a_minute_late_stand_in_their_place_live_and_in_the_file(tmp_path: Path) -> None:
    """What a window makes of the rows as they came is what a reader makes of the file, where they are in order."""
    met = Met()
    met.hello()
    met.exchange()
    began_ns = met.clock.now
    for second in range(60):
        crank = bytes([2]) + (80 * second // 60).to_bytes(2, "little") + (1024 * second % 65536).to_bytes(2, "little")
        met.sender.payload(began_ns + second * S + AHEAD_NS, ("Birch", "2a5b", "notification"), crank)
        met.clock.now = began_ns + second * S
        met.session.received(met.clock.now, "Alder", "2a63", POWER)
    met.exchange()
    while met.sender.kept:
        met.send()
        met.log.synced = met.log.written()
        ack = met.intake.ack()
        assert ack is not None
        met.sender.acknowledged(ack, met.clock.now)
    window = LiveWindow(JournalFollower(list))
    for row in met.log.rows:
        window.take([row])
    path = tmp_path / "ride.parquet"
    metadata = metadata_from_dict({**journal_header(bench=relayed_bench().as_dict()), "utc_anchors": ()})
    write_recording(path, met.log.rows, metadata, SystemStorage())
    recording = read_recording(path)
    for sensor in ("Alder", "Birch"):
        live, offline = window.gatherer.samples()[sensor], recording.samples[sensor]
        assert len(offline.arrivals_ns) == 60
        np.testing.assert_array_equal(live.arrivals_ns, offline.arrivals_ns)
        np.testing.assert_array_equal(live.cadence_rpm.values, offline.cadence_rpm.values)
    assert np.median(recording.samples["Birch"].cadence_rpm.values) > 30
    assert met.session.counts["Birch"].gaps == 0


def test_a_relay_that_comes_late_is_not_told_at_once_to_be_blocked() -> None:
    met = Met()
    for _ in range(40):
        met.clock.now += S // 4
        send_one(met, met.clock.now)
        met.intake.look(met.clock.now)
    met.hello()
    met.exchange(1)
    met.intake.look(met.clock.now)
    assert [row.detail["state"] for row in met.log.events("relay")] == ["absent", "found", "online"]


# -- the end of a recording ------------------------------------------------------------------------------------


def send_one(met: Met, at_ns: int) -> None:
    met.sender.payload(at_ns + AHEAD_NS, ("Birch", "2a63", "notification"), POWER)


def test_at_the_end_all_from_before_it_is_waited_for_and_nothing_from_after() -> None:
    met = Met()
    met.hello()
    met.exchange()
    send_one(met, met.clock.now)
    end_ns = met.clock.now
    met.intake.ending.begin(end_ns)
    met.session.end()
    assert met.intake.ending.still_to_come() == "relay pocket"  # not known before it has answered
    met.clock.now += S // 2
    met.exchange(1)
    send_one(met, met.clock.now)
    assert met.intake.ending.still_to_come() == "relay pocket"
    missing = met.intake.ending.not_here()
    assert missing is not None
    assert missing.count == 1
    assert missing.words.endswith("are not in this file (they did not come in time)")
    met.send()
    assert (met.intake.ending.still_to_come(), met.intake.ending.not_here()) == ("", None)
    assert [row.host_ns for row in met.relayed()] == [pytest.approx(end_ns - met.session.start_ns, abs=20_000_000)]


def test_an_answer_to_a_question_from_before_the_end_is_no_account_of_it() -> None:
    met = Met()
    met.hello()
    met.exchange()
    ask = met.intake.ask(met.clock.now)
    met.clock.now += S
    met.intake.ending.begin(met.clock.now)
    relay_ns = met.clock.now + AHEAD_NS
    met.intake.take(
        Answer(recorder=RECORDER, boot=BOOT, t1_ns=ask.t1_ns, t2_ns=relay_ns, t3_ns=relay_ns, next=1),
        met.clock.now + S // 100,
    )
    assert met.intake.ending.still_to_come() == "relay pocket"
    assert met.intake.ask_again_s() <= 0.5  # it is asked again at once
    met.exchange(1)
    assert met.intake.ending.still_to_come() == ""


def test_a_relay_that_is_away_at_the_end_is_not_waited_for_and_told() -> None:
    met = Met()
    met.hello()
    met.exchange()
    send_one(met, met.clock.now)
    met.send()
    last_ns = met.clock.now
    met.intake.take(Farewell(boot=BOOT, reason="vanished"), met.clock.now)
    met.clock.now += 60 * S
    met.intake.ending.begin(met.clock.now)
    missing = met.intake.ending.not_here()
    assert met.intake.ending.still_to_come() == ""
    assert missing is not None
    assert missing.since_ns == pytest.approx(last_ns, abs=20_000_000)
    assert missing.words == (
        f"relay pocket: its rows since {missing.since_ns} are not in this file (it could not be heard at the end)"
    )


def test_a_relay_that_was_ended_in_order_and_delivered_all_leaves_nothing_missing() -> None:
    met = Met()
    met.hello()
    met.exchange()
    send_one(met, met.clock.now)
    met.send()
    met.intake.take(Farewell(boot=BOOT, reason="ended", next=2), met.clock.now)
    met.intake.ending.begin(met.clock.now)
    assert met.intake.ending.not_here() is None
    met.hello()  # started anew: nothing is known of its rows now
    met.intake.take(Hello(boot="1" * 16, product="1", clock="c", next=5, kept_from=1), met.clock.now)
    assert met.intake.ending.not_here() is not None


def test_a_relay_that_was_never_heard_is_told_as_such() -> None:
    met = Met()
    met.intake.ending.begin(met.clock.now)
    missing = met.intake.ending.not_here()
    assert missing is not None
    assert (missing.since_ns, missing.words) == (
        None,
        "relay pocket: nothing from it is in this file (it could not be heard at the end)",
    )
