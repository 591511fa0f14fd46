"""Eight meters at 4 Hz with everything that goes wrong in a radio: every notification is accounted for."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from analysis.bench_file import Bench, parse_bench
from analysis.rows import Event
from simulated_sensors.meter_faults import (
    Burst,
    CounterReset,
    DropOut,
    Duplicate,
    Fault,
    Malformed,
    Silence,
    SkippedSamples,
)
from simulated_sensors.quayside import workshop_sensors
from simulated_sensors.ride import Ride
from simulated_sensors.rider import Effort, ride_efforts
from simulated_sensors.sensor_spec import SensorSpec
from simulated_sensors.simulated_meter import SimulatedMeter
from tests.riding import Ridden, ride_and_record

SECONDS = 300.0
SEED = 11
# Each meter has its own lot, and the last one all of it; no fault begins before a link is up.
FAULTS: tuple[tuple[Fault, ...], ...] = (
    (),
    (DropOut(60.0, 12.0), DropOut(150.0, 1.5)),
    (Silence(80.0, 20.0),),
    (Burst(100.0, 3.0), Burst(200.0, 1.0)),
    (Duplicate(60.0, 60.0),),
    (Malformed(120.0, 20.0),),
    (SkippedSamples(50.0, 200.0), CounterReset(220.0)),
    (
        DropOut(40.0, 8.0),
        Silence(70.0, 6.0),
        Burst(90.0, 2.0),
        Duplicate(110.0, 30.0),
        Malformed(160.0, 10.0),
        SkippedSamples(180.0, 60.0),
        DropOut(260.0, 10.0),
    ),
)


def flat_ride(seconds: float, seed: int) -> Ride:
    return ride_efforts([Effort(seconds, 200.0, 90.0)], seed=seed, after_plan_s=60.0)


def faulty_sensors(seed: int, seconds: float = SECONDS) -> list[SimulatedMeter]:
    ride = flat_ride(seconds, seed)
    made = workshop_sensors(ride, len(FAULTS), seed)
    return [
        SimulatedMeter(replace(m.spec, faults=faults), ride, seed) for m, faults in zip(made, FAULTS, strict=True)
    ]


def bench_of(sensors: Sequence[SimulatedMeter]) -> Bench:
    meters = "".join(
        f'[[meter]]\nname = "{m.name}"\nplace = "{m.spec.model.place}"\naddress = "{m.address}"\n' for m in sensors
    )
    return parse_bench(f'[bench]\nname = "workshop"\n{meters}'.encode())


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Ridden:
    sensors = faulty_sensors(SEED)
    return ride_and_record(tmp_path_factory.mktemp("load"), sensors, bench_of(sensors), seed=SEED, duration_s=SECONDS)


def out_of_range(spec: SensorSpec, at_s: float) -> bool:
    return any(isinstance(f, DropOut) and f.at_s <= at_s < f.at_s + f.seconds for f in spec.faults)


def heard(ridden: Ridden, spec: SensorSpec) -> Iterator[tuple[str, bytes]]:
    """What was sent while in range and before the end."""
    for packet in ridden.sent[spec.name]:
        at_s = packet.at_s - ridden.began_s
        if at_s < ridden.summary.seconds and not out_of_range(spec, at_s):
            yield packet.characteristic, packet.payload


def recorded(ridden: Ridden, name: str) -> Iterator[tuple[str, bytes]]:
    """Rows and dropped copies of one sensor in their order."""
    for row in ridden.rows:
        if row["sensor"] == name and row["row_kind"] == "notification":
            yield row["characteristic"], row["payload"]
        elif row["sensor"] == name and row["event"] == Event.DUPLICATE_DROPPED:
            detail = json.loads(row["detail"])
            yield detail["characteristic"], bytes.fromhex(detail["payload"])


def test_what_was_sent_is_rows_and_dropped_copies_and_nothing_is_unexplained(loaded: Ridden) -> None:
    notifications = 0
    for sensor in faulty_sensors(SEED):
        assert list(recorded(loaded, sensor.name)) == list(heard(loaded, sensor.spec)), sensor.name
        notifications += loaded.sent_count[sensor.name]
    assert notifications > 0.7 * len(FAULTS) * 4 * SECONDS


def power_copies(ridden: Ridden, spec: SensorSpec) -> int:
    """Second packets of the pairs that a `Duplicate` makes: at most 8 ms apart, while packets are due each 250 ms."""
    windows = [(f.at_s, f.at_s + f.seconds + 0.01) for f in spec.faults if isinstance(f, Duplicate)]
    at_s = [packet.at_s - ridden.began_s for packet in ridden.sent[spec.name] if packet.characteristic == "2a63"]
    pairs = [later for earlier, later in pairwise(at_s) if later - earlier < 0.01]
    return sum(any(start_s <= later < end_s for start_s, end_s in windows) for later in pairs)


def power_copies_dropped(ridden: Ridden, name: str) -> int:
    dropped = [r for r in ridden.rows if r["sensor"] == name and r["event"] == Event.DUPLICATE_DROPPED]
    return sum(json.loads(row["detail"])["characteristic"] == "2a63" for row in dropped)


def test_all_copies_were_dropped_and_repeats_in_bursts_were_not(loaded: Ridden) -> None:
    """Of power; a battery level each minute has no pace by which a copy could be told from a repeat."""
    for sensor in faulty_sensors(SEED):
        assert power_copies_dropped(loaded, sensor.name) == power_copies(loaded, sensor.spec), sensor.name
    assert power_copies_dropped(loaded, "Bay 5") == 60 * 4


def rows_of(ridden: Ridden, name: str) -> Iterator[tuple[str, bytes]]:
    for row in ridden.rows:
        if row["sensor"] == name and row["row_kind"] == "notification":
            yield row["characteristic"], row["payload"]


def test_every_fault_has_left_its_trace(loaded: Ridden) -> None:
    events = Counter((row["sensor"], row["event"]) for row in loaded.rows if row["event"])
    counts = loaded.summary.sensors
    assert all(counts[f"Bay {n}"].gaps == 0 for n in (1, 5, 6))
    assert events["Bay 2", Event.LINK_LOST] == 2
    assert events["Bay 2", Event.LINK_FOUND] == 3
    assert counts["Bay 3"].gaps == counts["Bay 4"].gaps == 1  # of the two bursts one took longer than 2.5 s
    assert events["Bay 3", Event.SILENT] >= 1
    assert events["Bay 4", Event.BURST] >= 1
    assert events["Bay 5", Event.DUPLICATE_DROPPED] == counts["Bay 5"].duplicates_dropped
    assert events["Bay 6", Event.NOT_UNDERSTOOD] == counts["Bay 6"].not_understood > 0
    assert events["Bay 8", Event.LINK_LOST] >= 2


def test_malformed_packets_are_kept_as_they_came(loaded: Ridden) -> None:
    payloads = {row["payload"] for row in loaded.rows if row["sensor"] == "Bay 6"}
    assert b"\xff" * 20 in payloads
    assert b"" in payloads


def test_the_load_repeats_itself_by_its_seed(loaded: Ridden, tmp_path: Path) -> None:
    """The first 120 s, which hold every kind of fault: virtual time does not know how long a ride will be."""
    sensors = faulty_sensors(SEED)
    again = ride_and_record(tmp_path, sensors, bench_of(sensors), seed=SEED, duration_s=121.0)
    until_ns = 120_000_000_000

    def beginning(ridden: Ridden) -> list[object]:
        return [row for row in ridden.rows if row["host_ns"] < until_ns]

    assert beginning(again) == beginning(loaded)


def test_two_radios_of_one_meter_are_two_streams_that_both_report(tmp_path: Path) -> None:
    ride = flat_ride(30.0, SEED)
    left, right = workshop_sensors(ride, 2, SEED)
    bench = parse_bench(
        '[bench]\nname = "pair"\n[[meter]]\nname = "Alder"\nplace = "pedals"\n'
        f'addresses = ["{left.address}", "{right.address}"]\ncombine = "sum"\n'.encode()
    )
    ridden = ride_and_record(tmp_path, [left, right], bench, seed=SEED, duration_s=30.0)
    assert list(ridden.summary.sensors) == ["Alder/1", "Alder/2"]
    for stream, sensor in (("Alder/1", left), ("Alder/2", right)):
        assert list(rows_of(ridden, stream)) == list(heard(ridden, sensor.spec))
        assert ridden.summary.sensors[stream].gaps == 0
