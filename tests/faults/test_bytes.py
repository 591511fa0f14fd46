"""Row 33: payloads that are none, through radio, recorder, file and judge: every byte is kept, nothing is made up."""

from __future__ import annotations

import asyncio
import json
import random
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analysis.bench_file import parse_bench
from analysis.judge import judge_recording
from analysis.recording_reader import read_recording
from analysis.rows import Event
from recorder.compose import RecordJob, Surroundings, bluetooth_source, record
from recorder.recording_run import Summary
from recorder.storage import SystemStorage
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import Packet
from simulated_sensors.virtual_time import VirtualClock, run_virtual
from tests.fake_sensors import FakeSensor
from tests.faults.account import rows_in_file
from tests.faults.conftest import Tell
from tests.riding import exit_status, payload

# Whether the standard allows it. GATT Specification Supplement, Cycling Power Measurement: two bytes of flags and two
# of power are always there, each flag asks for its own field; what follows the last field belongs to a later version.
# Indoor Bike Data: flags, and without the bit "more data" a speed; Cycling Speed and Cadence: one byte of flags.
CRAFTED: dict[str, tuple[tuple[bytes, bool], ...]] = {
    "2a63": (
        (b"", False),
        (b"\x20", False),
        (b"\x20\x00\xc8", False),
        (b"\x20\x00\xc8\x00", False),  # the revolutions that the flags promise are missing
        (b"\xff" * 20, False),
        (b"\x00\x00\x00\x80", True),  # -32768 W
        (b"\x00\x00\xff\x7f", True),  # 32767 W
        (b"\x00\x00\xc8\x00" + bytes(196), True),  # 200 bytes
        (b"\x20\x00\xc8\x00\x05\x00\x00", False),
    ),
    "2a5b": ((b"", False), (b"\x02\x01", False), (b"\x00", True), (b"\x03" + b"\xff" * 10, True), (b"\xff", False)),
    "2ad2": ((b"", False), (b"\x00", False), (b"\x00\x00", False), (b"\x01\x00", True), (b"\xff" * 20, False)),
    "2a6e": ((b"", False), (b"\x10", False), (b"\xff\xff", True)),
    "2a19": ((b"", False), (b"\x64", True)),
}
EVERY_S = 0.05
RANDOM = 1500
BENCH = """
[bench]
name = "rubbish"
reference = "Birch"
[[meter]]
name = "Alder"
place = "pedals"
claim_pct = 1.0
address = "F0:00:00:00:00:01"
[[meter]]
name = "Birch"
place = "spider"
claim_pct = 1.0
address = "F0:00:00:00:00:02"
"""
SERVICES = {"1818": ("2a63", "2a65"), "1816": ("2a5b",), "1826": ("2ad2",), "181a": ("2a6e",), "180f": ("2a19",)}


class Rubbish(FakeSensor):
    """Sends what it is given, one payload after the other; `sent` is what it has said."""

    def __init__(self, packets: Callable[[], Iterator[tuple[str, bytes]]]) -> None:
        super().__init__("Alder", services=SERVICES)
        self.sent: list[tuple[str, bytes]] = []
        self.packets = packets
        self.steps = self._steps

    def _steps(self) -> Iterator[Packet]:
        for number, (characteristic, data) in enumerate(self.packets(), 1):
            self.sent.append((characteristic, data))
            yield Packet(60 + number * EVERY_S, characteristic, data)


def sound_packets() -> Iterator[Packet]:
    return (Packet(n / 4, "2a63", payload(n)) for n in range(4000))


def recorded(folder: Path, rubbish: Rubbish, seconds: float) -> Summary:
    """Beside it rides a sound sensor; the rubbish begins once both have been linked for long."""
    sound = FakeSensor("Birch", "F0:00:00:00:00:02", steps=sound_packets)

    async def ride() -> Summary:
        clock = VirtualClock(asyncio.get_running_loop(), 0)
        bench = parse_bench(BENCH.encode())
        async with SimulatedRadio([rubbish, sound], seed=1) as radio:
            source = bluetooth_source(bench, clock, radio.backend, seed=1)
            radio.begin_ride()
            job = RecordJob(bench, folder, duration_s=60 + seconds, needed_bytes=0)
            return await record(job, Surroundings(clock, SystemStorage(), source, lambda words: None))

    return run_virtual(ride())


def test_all_crafted_payloads_are_kept_and_those_that_are_none_are_counted(tmp_path: Path, tell: Tell) -> None:
    crafted = [(c, data, good) for c, cases in CRAFTED.items() for data, good in cases]
    random.Random(33).shuffle(crafted)
    # Each twice, once a round, so that no copy follows within the window in which copies are dropped.
    rubbish = Rubbish(lambda: iter([(c, data) for _ in range(2) for c, data, _ in crafted]))
    summary = recorded(tmp_path, rubbish, 2 * len(crafted) * EVERY_S + 1)
    assert summary.recording is not None
    rows = rows_in_file(summary.recording)
    got = [(r.characteristic, r.payload) for r in rows if r.sensor == "Alder" and r.row_kind == "notification"]
    assert got == rubbish.sent
    bad = Counter(c for c, _, good in crafted if not good)
    told = Counter(r.detail["characteristic"] for r in rows if r.event == Event.NOT_UNDERSTOOD)
    assert told == {c: 2 * count for c, count in bad.items()}
    assert summary.sensors["Alder"].not_understood == told.total()
    assert f"{told.total()} payloads not understood" in summary.in_words()
    birch = summary.sensors["Birch"]
    assert (birch.gaps, birch.not_understood, birch.duplicates_dropped) == (0, 0, 0)
    judge_recording(read_recording(summary.recording))
    tell(
        33,
        f"{len(crafted)} crafted payloads of 5 characteristics, twice",
        f"{told.total()} payloads not understood",
        f"{len(got)} of {len(rubbish.sent)} payloads kept byte for byte",
    )


def test_random_bytes_are_kept_the_ride_is_judged_and_the_other_sensor_is_not_disturbed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], tell: Tell
) -> None:
    def noise() -> Iterator[tuple[str, bytes]]:
        chance = random.Random(34)
        for _ in range(RANDOM):
            yield chance.choice(tuple(CRAFTED)), chance.randbytes(chance.choice((0, 1, 2, 3, 4, 8, 14, 20, 34, 200)))

    rubbish = Rubbish(noise)
    summary = recorded(tmp_path, rubbish, RANDOM * EVERY_S + 1)
    assert summary.recording is not None
    rows = rows_in_file(summary.recording)
    got = [(r.characteristic, r.payload) for r in rows if r.sensor == "Alder" and r.row_kind == "notification"]
    dropped = sum(r.event == Event.DUPLICATE_DROPPED for r in rows)
    assert len(got) + dropped == len(rubbish.sent) == RANDOM
    assert Counter(got) - Counter(rubbish.sent) == Counter()
    assert [r for r in rows if r.event == Event.NOTE] == [], "no callback failed"
    assert summary.sensors["Birch"].rows >= 4 * 120
    assert summary.sensors["Birch"].gaps == 0
    assert exit_status("report", str(summary.recording), "--json") == 0
    judged = json.loads(capsys.readouterr().out)
    assert judged
    words = f"{summary.sensors['Alder'].not_understood} payloads not understood"
    measured = f"{len(got)} of {RANDOM} kept byte for byte, {dropped} dropped as copies"
    tell(33, f"{RANDOM} random payloads", words, measured)
