"""Row 34: counters that wrap, pause, repeat, restart and come in bursts, from the bytes to the file's own cadence.

What one message adds is tried in tests/test_event_rates.py. Here whole rides go through journal, file and reader, and
are compared with a crank that turns evenly: at 60 and 120 rpm a turn is a whole number of 1/1024 s, so that nothing
is rounded and the only error that may be left is none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from analysis.recording_reader import read_recording
from analysis.rows import Event, Row
from recorder.journal import JournalEncoder
from recorder.recovery import recover_journal
from recorder.storage import SystemStorage
from tests.faults.conftest import Tell
from tests.riding import journal_header

S = 1_000_000_000
TICKS_PER_S = 1024  # GATT Specification Supplement: last crank event time of 2a63 and 2a5b
GREATEST_RPM = 250.0  # no legs turn faster
GAPS_S = (63.0, 64.0, 64.5, 70.0, 90.0, 127.9, 130.0)


@dataclass(frozen=True)
class Message:
    at_s: float
    revolutions: int
    event_s: float  # on a clock that does not wrap
    link_before: bool = False

    def payload(self, characteristic: str) -> bytes:
        crank = (self.revolutions % 65536).to_bytes(2, "little") + (
            round(self.event_s * TICKS_PER_S) % 65536
        ).to_bytes(2, "little")
        return b"\x20\x00\xc8\x00" + crank if characteristic == "2a63" else b"\x02" + crank


def turning(rpm: int, seconds: float, every_s: float = 0.25, first: int = 0, from_s: float = 0.0) -> list[Message]:
    """The last turn before each message; a turn ends at each whole period."""
    period_s = 60 / rpm
    times = np.arange(from_s, from_s + seconds, every_s)
    return [Message(t, first + int(t / period_s), int(t / period_s) * period_s) for t in times.tolist()]


def without(messages: list[Message], from_s: float, seconds: float, *, relinked: bool) -> list[Message]:
    left = [m for m in messages if not from_s < m.at_s < from_s + seconds]
    after = next(n for n, m in enumerate(left) if m.at_s >= from_s + seconds)
    left[after] = replace(left[after], link_before=relinked)
    return left


def cadence_in_file(folder: Path, messages: list[Message], characteristic: str) -> tuple[np.ndarray, np.ndarray]:
    """Seconds and rpm, as whoever opens the recording finds them."""
    encoder = JournalEncoder("ride-1", journal_header(), seed=5)
    frames = [encoder.preamble()]
    for m in messages:
        at_ns = round(m.at_s * S)
        if m.link_before:
            frames.append(encoder.row(Row(at_ns, "event", "Alder", event=Event.LINK_LOST, detail={"reason": "gone"})))
            frames.append(encoder.row(Row(at_ns, "event", "Alder", event=Event.LINK_FOUND, detail={})))
        frames.append(encoder.payload(at_ns, "Alder", characteristic, m.payload(characteristic)))
    frames.append(encoder.end({"reason": "duration", "finished_ns": round(messages[-1].at_s * S)}))
    (path := folder / "ride.journal").write_bytes(b"".join(frames))
    recording = recover_journal([path], SystemStorage()).recording
    cadence = read_recording(recording).samples["Alder"].cadence_rpm
    assert cadence is not None
    return cadence.host_ns / S, cadence.values


@pytest.mark.parametrize("characteristic", ["2a63", "2a5b"])
@pytest.mark.parametrize("rpm", [60, 120])
def test_the_event_time_wraps_each_64_seconds_and_the_counter_at_65536(
    tmp_path: Path, characteristic: str, rpm: int, tell: Tell
) -> None:
    messages = turning(rpm, 400, first=65536 - 100)
    _, cadence = cadence_in_file(tmp_path, messages, characteristic)
    assert len(cadence) > 0.99 * len(messages) - 8
    assert set(cadence.tolist()) == {float(rpm)}
    tell(34, f"{characteristic} at {rpm} rpm, 6 wraps of the time, 1 of the counter", "nothing", "error 0 rpm")


@pytest.mark.parametrize("relinked", [True, False])
@pytest.mark.parametrize("gap_s", GAPS_S)
def test_no_value_across_a_gap_that_a_wrap_may_hide_in(
    tmp_path: Path, gap_s: float, relinked: bool, tell: Tell
) -> None:
    """Before, the same and true; after, the same and true; at the first message after it, none or the true one."""
    messages = without(turning(120, 300), 100.0, gap_s, relinked=relinked)
    at_s, cadence = cadence_in_file(tmp_path, messages, "2a63")
    assert set(cadence.tolist()) == {120.0}
    inside = (at_s > 100.0) & (at_s < 100.0 + gap_s)
    assert not inside.any()
    first = next(m.at_s for m in messages if m.at_s > 100.0)
    if relinked or gap_s > 64:
        assert first not in at_s.tolist(), "a new piece begins with a base, not with a rate"
    what = f"gap of {gap_s:g} s{', new link' if relinked else ''}"
    tell(34, what, "a gap", "none across it, error 0 rpm, no spike")


def test_a_sensor_that_restarts_gives_a_gap_and_no_spike(tmp_path: Path, tell: Tell) -> None:
    before = turning(120, 60, first=30_000)
    after = [replace(m, at_s=m.at_s + 75) for m in turning(120, 60)]
    _, cadence = cadence_in_file(tmp_path, [*before, replace(after[0], link_before=True), *after[1:]], "2a63")
    assert set(cadence.tolist()) == {120.0}
    tell(34, "restart: counters at 0 after 15 s", "a gap", "error 0 rpm (plain subtraction: tens of thousands)")


def test_who_stops_pedalling_sinks_to_zero_and_comes_back_true(tmp_path: Path, tell: Tell) -> None:
    """The sensor repeats its last turn for 100 s: more than one wrap of its clock."""
    ridden = turning(120, 60)
    standing = [replace(ridden[-1], at_s=60 + n / 4) for n in range(400)]
    again = [
        Message(m.at_s + 160, ridden[-1].revolutions + m.revolutions, m.event_s + 160) for m in turning(120, 60)[1:]
    ]
    at_s, cadence = cadence_in_file(tmp_path, ridden + standing + again, "2a63")
    assert cadence.max() == 120.0
    assert set(cadence[(at_s > 64) & (at_s < 160)].tolist()) == {0.0}
    assert set(cadence[at_s > 163].tolist()) == {120.0}
    tell(34, "the last turn repeated for 100 s", "0 rpm", "0 rpm from 4 s on, true at once when pedalled again")


@pytest.mark.parametrize("held_s", [3.0, 20.0])
def test_a_burst_is_read_by_the_sensors_clock(tmp_path: Path, held_s: float, tell: Tell) -> None:
    held = [
        replace(m, at_s=100 + held_s + (m.at_s - 100) / 1000) if 100 < m.at_s < 100 + held_s else m
        for m in turning(60, 200)
    ]
    _, cadence = cadence_in_file(tmp_path, sorted(held, key=lambda m: m.at_s), "2a63")
    assert set(cadence.tolist()) <= {60.0}
    tell(34, f"{held_s:g} s of packets at once", "packets that came at once", "error 0 rpm, no spike")


CHANGES: dict[str, Callable[[list[Message]], list[Message]]] = {
    "copies": lambda ms: sorted([*ms, *ms[100:300]], key=lambda m: m.at_s),
    "every other lost": lambda ms: ms[::2],
    "one in eight kept": lambda ms: ms[::8],
    "a gap, then a wrap": lambda ms: without(ms, 40, 20, relinked=False),
}


@pytest.mark.parametrize("what", CHANGES)
def test_whatever_is_lost_or_doubled_the_rest_is_exact(tmp_path: Path, what: str) -> None:
    _, cadence = cadence_in_file(tmp_path, CHANGES[what](turning(120, 300)), "2a63")
    assert len(cadence) > 100
    assert set(cadence.tolist()) == {120.0}


def test_no_jumble_of_messages_gives_more_than_legs_can_turn(tmp_path: Path) -> None:
    """Parts of several rides in any order, with and without a new link: rubbish in, but never a spike out."""
    chance = np.random.default_rng(34)
    at_s, jumble = 0.0, []
    rides = [turning(120, 60), turning(60, 60), turning(90, 60, first=50_000)]
    for ride in rides * 20:
        start = int(chance.integers(0, 200))
        part = ride[start : start + int(chance.integers(1, 30))]
        at_s += float(chance.uniform(0, 140))
        for m in part:
            at_s += float(chance.choice([0.0, 0.001, 0.25, 1.0]))
            jumble.append(replace(m, at_s=at_s, link_before=bool(chance.random() < 0.02)))
    _, cadence = cadence_in_file(tmp_path, jumble, "2a63")
    assert len(cadence) > 50
    assert cadence.min() >= 0
    assert cadence.max() <= GREATEST_RPM
