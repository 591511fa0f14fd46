"""The demo ride: what sensors sent is in the file, what they meant is in the figures, and nothing else decides."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest

from analysis.decoding import RowDecoder
from analysis.json_figures import jsonable
from analysis.judge import judge_recording
from analysis.plan_file import Plan
from analysis.recording_reader import Recording, read_recording
from analysis.recording_schema import DECODED_COLUMNS
from analysis.rows import Event, Row
from recorder.recording_run import Summary
from simulated_sensors.demo import LEAD_IN_S, DemoOptions, quayside_bench, quayside_plan, ride_of, run_demo
from simulated_sensors.meter_faults import DropOut
from simulated_sensors.quayside import quayside_sensors
from simulated_sensors.ride import Ride
from simulated_sensors.simulated_meter import SimulatedMeter
from simulated_sensors.truth import mean_reported_w
from simulated_sensors.virtual_link import SUPERVISION_S
from tests.riding import Ridden, plan_of, ride_and_record, table_of

SEED = 1
# Standard deviations allowed between a mean and its model: of some 50 checks, one in 30,000 rides fails by chance.
SIGMAS = 5.0


class Demo(NamedTuple):
    summary: Summary
    path: Path
    recording: Recording
    frame: pd.DataFrame
    ride: Ride
    meters: dict[str, SimulatedMeter]
    truth: dict[str, object]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo")
    options = DemoOptions(folder / "out", speed=1e5, seed=SEED, truth=folder / "truth.json")
    summary = run_demo(options, lambda words: None, lambda words: None)
    assert summary.recording is not None
    path = summary.recording
    ride = ride_of(quayside_plan(), SEED)
    meters = {meter.name: meter for meter in quayside_sensors(ride, SEED)}
    truth = json.loads((folder / "truth.json").read_text())
    return Demo(summary, path, read_recording(path), pd.read_parquet(path), ride, meters, truth)


SHORT_PLAN = plan_of(
    'name = "steady"\nkind = "steady"\nseconds = 30\ntarget_w = 200\ncadence_rpm = 90',
    'name = "sprint"\nkind = "sprint"\nseconds = 10\ntarget_w = 700\ncadence_rpm = 110',
)


def short_ride(folder: Path, seed: int = SEED, speed: float | None = None, plan: Plan = SHORT_PLAN) -> Ridden:
    sensors = quayside_sensors(ride_of(plan, seed), seed)
    return ride_and_record(folder, sensors, quayside_bench(), plan, speed=speed, seed=seed, lead_in_s=LEAD_IN_S)


# -- the file --------------------------------------------------------------------------------------------------


def test_pandas_opens_the_file_and_finds_every_row_in_order(demo: Demo) -> None:
    frame, summary = demo.frame, demo.summary
    assert frame["host_ns"].is_monotonic_increasing
    counted = frame[frame["row_kind"] != "event"].groupby("sensor", observed=True).size().to_dict()
    assert counted == {name: counts.rows for name, counts in summary.sensors.items()}
    assert summary.reason == "plan"
    # The last step ends as soon as every meter has its zero offset again.
    planned_s = LEAD_IN_S + quayside_plan().seconds
    assert planned_s - quayside_plan().step[-1].seconds < summary.seconds <= planned_s


def test_payloads_decode_again_to_the_same_columns(demo: Demo) -> None:
    decoder = RowDecoder()
    checked = 0
    for row in demo.frame.astype(object).where(demo.frame.notna(), None).to_dict("records"):
        event = Row(row["host_ns"], "event", row["sensor"], event=row["event"])
        payload = Row(row["host_ns"], row["row_kind"], row["sensor"], row["characteristic"], row["payload"])
        fields = decoder.fields(event if row["row_kind"] == "event" else payload)
        assert {name: row[name] for name in DECODED_COLUMNS if row[name] is not None} == fields
        checked += bool(fields)
    assert checked > 5000


def test_every_step_of_the_plan_is_a_segment_of_its_length(demo: Demo) -> None:
    turns = list(quayside_plan().turns())
    segments = demo.recording.segments
    assert [segment.posture for segment in segments] == [turn.step.posture for turn in turns]
    lengths_s = [(segment.stop_ns - segment.start_ns) / 1e9 for segment in segments]
    assert lengths_s[:-1] == pytest.approx([turn.step.seconds for turn in turns[:-1]], abs=1e-6)
    assert 5 < lengths_s[-1] <= turns[-1].step.seconds
    ridden = [span.start_s for span in demo.ride.spans if span.kind not in ("lead-in", "rest")]
    assert [segment.start_ns / 1e9 for segment in segments] == pytest.approx(ridden, abs=1e-6)


# -- the figures against the truth -----------------------------------------------------------------------------


def rounding_w(meter: SimulatedMeter) -> float:
    """A value is rounded to the unit's resolution before it is sent."""
    return meter.spec.resolution_w / 2


def true_mean_w(meter: SimulatedMeter, ride: Ride, start_s: float, stop_s: float) -> float:
    """What passes the gauges of an ideal unit: behind the chain, or twice the left leg."""
    model = meter.spec.model
    if model.sides == "left":
        start_j, stop_j = ride.left_work_j(np.array([start_s, stop_s]))
        return 2 * float(stop_j - start_j) / (stop_s - start_s)
    return ride.mean_power_w(start_s, stop_s, behind_chain=model.behind_chain)


def expected_mean_w(meter: SimulatedMeter, ride: Ride, start_s: float, stop_s: float) -> float:
    """Scale and zero offset of the unit upon the truth; the wanted value of `simulated_sensors.meter_model`."""
    model = meter.spec.model
    start, stop = ride.turns(np.array([start_s, stop_s]))
    angular_rad_s = 2 * math.pi * float(stop - start) / (stop_s - start_s)
    true_w = true_mean_w(meter, ride, start_s, stop_s)
    return true_w * (1 + model.scale_pct / 100) + angular_rad_s * model.offset_nm


def allowed_w(meter: SimulatedMeter, ride: Ride, start_s: float, stop_s: float) -> float:
    """How far a recorded mean may lie from the expected one, from the unit's own errors and nothing else.

    White noise shrinks with the number of values, slow wander with the time over twice its memory (variance of the
    mean of an exponentially correlated signal). A value speaks of a time before it is heard, by its age at most, so
    the mean is one over a window that lies up to that much earlier.
    """
    model = meter.spec.model
    seconds = stop_s - start_s
    start, stop = ride.turns(np.array([start_s, stop_s]))
    turn_s = seconds / float(stop - start)
    value_s = model.window * turn_s if model.averaging == "turn" else model.window
    noise = (model.noise_pct / 100) ** 2 * value_s / seconds
    slow = (model.wander_pct / 100) ** 2 * min(1.0, 2 * model.wander_memory_s / seconds)
    mean_w = true_mean_w(meter, ride, start_s, stop_s)
    # Measured over one value, said with the lag, held until the next packet; five time constants of a smoothing
    # leave less than 1 %.
    packet_s = 1 / model.rate_hz if model.rate_hz else turn_s
    age_s = value_s + packet_s + model.lag_s + 5 * model.smoothing_s
    earlier_s = np.arange(0.0, age_s, 0.05)
    earlier_w = [true_mean_w(meter, ride, start_s - s, stop_s - s) for s in earlier_s]
    ends_w = float(np.max(np.abs(np.array(earlier_w) - mean_w)))
    return SIGMAS * mean_w * math.sqrt(noise + slow) + ends_w + rounding_w(meter)


def judged(demo: Demo) -> list[tuple[str, float, float, str, float, float]]:
    """Segment, its judged bounds in ride seconds, meter, recorded mean, coverage."""
    found = []
    for part in judge_recording(demo.recording).segments:
        for name, figures in part.meters.items():
            if demo.meters[name].spec.kind == "meter":
                start_s, stop_s = part.segment.judged_from_ns / 1e9, part.segment.stop_ns / 1e9
                found.append((part.segment.name, start_s, stop_s, name, figures.mean_power_w, figures.coverage_pct))
    return found


def test_recorded_means_are_what_the_sensors_said_but_for_rounding(demo: Demo) -> None:
    """The air of the simulation has no delay, so the only thing between is the rounding of each value."""
    checked = 0
    for segment, start_s, stop_s, name, mean_w, coverage_pct in judged(demo):
        if coverage_pct > 99.999:
            said_w = mean_reported_w(demo.meters[name], start_s, stop_s)
            assert mean_w == pytest.approx(said_w, abs=rounding_w(demo.meters[name])), (segment, name)
            checked += 1
    assert checked >= 4 * 13 - 1


def test_recorded_means_are_the_truth_within_the_simulated_errors(demo: Demo) -> None:
    for segment, start_s, stop_s, name, mean_w, coverage_pct in judged(demo):
        if coverage_pct > 99.999:
            meter = demo.meters[name]
            expected_w = expected_mean_w(meter, demo.ride, start_s, stop_s)
            allowed = allowed_w(meter, demo.ride, start_s, stop_s)
            assert mean_w == pytest.approx(expected_w, abs=allowed), (segment, name)


def test_the_tolerance_of_the_truth_would_find_a_wrong_scale(demo: Demo) -> None:
    """What the check above is worth: over the long steady step it tells Cedar's 2.9 % from none."""
    segment, start_s, stop_s, _, mean_w, _ = next(
        j for j in judged(demo) if j[0] == "long steady" and j[3] == "Cedar"
    )
    cedar = demo.meters["Cedar"]
    unscaled_w = true_mean_w(cedar, demo.ride, start_s, stop_s)
    assert abs(mean_w - unscaled_w) > allowed_w(cedar, demo.ride, start_s, stop_s), segment


def test_the_truth_beside_the_ride_is_that_of_the_ride(demo: Demo) -> None:
    steps = demo.truth["steps"]
    assert isinstance(steps, list)
    for step, span in zip(steps, demo.ride.spans, strict=True):
        assert step["power_w"] == pytest.approx(demo.ride.mean_power_w(span.start_s, span.end_s))
    assert set(demo.truth["sensors"]) == set(demo.meters)  # type: ignore[call-overload]


# -- the drop-out ----------------------------------------------------------------------------------------------


def test_the_drop_out_of_birch_is_a_gap_and_two_rows(demo: Demo) -> None:
    (drop_out,) = demo.meters["Birch"].spec.faults
    assert isinstance(drop_out, DropOut)
    events = [e for e in demo.recording.events if e.sensor == "Birch"]
    (lost,) = [e for e in events if e.event == Event.LINK_LOST]
    first, again = [e for e in events if e.event == Event.LINK_FOUND]
    back_s = drop_out.at_s + drop_out.seconds
    # Both ends notice a silent link by its supervision timeout (Bluetooth Core 5.4, Vol 6 Part B 4.5.2).
    assert lost.host_ns / 1e9 == pytest.approx(drop_out.at_s + SUPERVISION_S, abs=0.05)
    assert first.host_ns < lost.host_ns
    assert again.host_ns / 1e9 > back_s
    birch_ns = demo.frame.loc[
        (demo.frame["sensor"] == "Birch") & (demo.frame["characteristic"] == "2a63"), "host_ns"
    ].to_numpy()
    inside = (birch_ns > drop_out.at_s * 1e9) & (birch_ns < back_s * 1e9)
    assert not inside.any()
    assert int((np.diff(birch_ns) > 2.5e9).sum()) == demo.summary.sensors["Birch"].gaps == 1
    others = {name: counts.gaps for name, counts in demo.summary.sensors.items() if name != "Birch"}
    # Alder sends nothing while the cranks stand still, as they do in the last step.
    assert others.pop("Alder") == 1
    assert set(others.values()) == {0}


def test_every_meter_that_can_is_zeroed_again_at_the_end(demo: Demo) -> None:
    last = demo.recording.segments[-1]
    answers = [e for e in demo.recording.events if e.event == Event.ZERO_ANSWERED and e.host_ns >= last.start_ns]
    assert [(e.sensor, e.detail["result"]) for e in answers if e.detail.get("raw") is not None] == [
        ("Alder", "done"),
        ("Birch", "done"),
        ("Dogwood", "done"),
    ]


def test_the_gap_is_in_the_figures_of_its_segment_and_no_zero(demo: Demo) -> None:
    (drop_out,) = demo.meters["Birch"].spec.faults
    hit = [
        part
        for part in judge_recording(demo.recording).segments
        if part.segment.judged_from_ns / 1e9 < drop_out.at_s < part.segment.stop_ns / 1e9
    ]
    (part,) = hit
    birch, alder = part.meters["Birch"], part.meters["Alder"]
    assert birch.gaps == 1
    assert birch.longest_gap_s == pytest.approx(drop_out.seconds, rel=0.3)
    assert birch.coverage_pct == pytest.approx(100 - 100 * birch.longest_gap_s / part.segment.judged_s)
    assert birch.mean_power_w > alder.mean_power_w / 2


# -- account of every notification -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Ridden:
    return short_ride(tmp_path_factory.mktemp("short"))


def test_rows_are_what_was_sent_less_what_left_into_the_void(ridden: Ridden) -> None:
    rows = ridden.rows
    sensors = {meter.name: meter for meter in quayside_sensors(ride_of(SHORT_PLAN, SEED), SEED)}
    for name, sent in ridden.sent.items():
        assert len(sent) == ridden.sent_count[name]
        arrived = [
            (packet.at_s - ridden.began_s, packet.characteristic, packet.payload)
            for packet in sent
            if packet.at_s - ridden.began_s < ridden.summary.seconds
            and not any(0 <= packet.at_s - ridden.began_s - f.at_s < f.seconds for f in sensors[name].spec.faults)
        ]
        recorded = [
            (row["host_ns"] / 1e9, row["characteristic"], row["payload"])
            for row in rows
            if row["sensor"] == name and row["row_kind"] == "notification"
        ]
        assert [r[1:] for r in recorded] == [a[1:] for a in arrived], name
        assert [r[0] for r in recorded] == pytest.approx([a[0] for a in arrived], abs=1e-6)
        assert ridden.summary.sensors[name].duplicates_dropped == 0


def test_sent_and_unsent_are_all_that_was_due(ridden: Ridden) -> None:
    for meter in quayside_sensors(ride_of(SHORT_PLAN, SEED), SEED):
        until_s = max((packet.at_s for packet in ridden.sent[meter.name]), default=0.0) - ridden.began_s
        due = sum(1 for step in meter.schedule() if not hasattr(step, "up") and step.at_s <= until_s + 1e-9)
        assert ridden.sent_count[meter.name] + ridden.unsent_count[meter.name] == due


# -- what decides the rows -------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_rows_and_another_one_others(ridden: Ridden, tmp_path: Path) -> None:
    again = short_ride(tmp_path / "again").rows
    other = short_ride(tmp_path / "other", seed=SEED + 1).rows
    assert again == ridden.rows
    payloads = [row["payload"] for row in ridden.rows if row["payload"] is not None]
    assert payloads != [row["payload"] for row in other if row["payload"] is not None]


def test_speed_changes_no_figure(ridden: Ridden, tmp_path: Path) -> None:
    paced = short_ride(tmp_path, speed=60.0)
    assert table_of(paced.path) == ridden.rows
    judged = [judge_recording(read_recording(path)) for path in (paced.path, ridden.path)]
    assert jsonable(asdict(judged[0])) == jsonable(asdict(judged[1]))
