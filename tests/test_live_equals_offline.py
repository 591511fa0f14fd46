"""What a ride shows while it runs is what its report says: the same rows give exactly the same figures."""

from __future__ import annotations

import dataclasses
import json
import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.comparison import setup_of
from analysis.judge import judge_recording
from analysis.live_judgement import judge_segments_so_far, running_until
from analysis.meter_signal import bench_signals
from analysis.recording_reader import Recording, read_recording
from analysis.report_page.page_words import lag_words
from analysis.report_tables import report_tables
from analysis.ride_lag import adopted_lags
from analysis.row_samples import SampleGatherer, samples_since
from analysis.rows import Event, Row
from analysis.samples import sensor_samples
from analysis.segment_metrics import segment_metrics
from recorder.control_words import Tell
from recorder.journal import JournalEncoder
from recorder.live_window import JournalFollower, LiveWindow
from recorder.recording_writer import write_recording
from recorder.snapshot_maker import SnapshotMaker
from recorder.storage import SystemStorage
from tests.riding import journal_header

S = 1_000_000_000
ADOPTED_S = {"Birch": 0.31, "Cedar": -0.22}


def rows_of(path: Path) -> list[Row]:
    """As the journal had them."""
    columns = ["host_ns", "row_kind", "sensor", "characteristic", "payload", "event", "detail"]
    table = pq.read_table(path, columns=columns).to_pylist()
    return [Row(**{**row, "detail": json.loads(row["detail"] or "{}")}) for row in table]


@pytest.fixture(scope="module")
def rows(demo_recording: Path) -> list[Row]:
    """The demo's, in which two lags were adopted after five minutes."""
    ride = rows_of(demo_recording)
    at = next(n for n, row in enumerate(ride) if row.host_ns > 300 * S)
    adopted = [
        Row(
            ride[at - 1].host_ns,
            "event",
            event=Event.LAG_ADOPTED,
            detail={"meter": meter, "reference": "Alder", "lag_s": lag_s, "half_width_s": 0.2},
        )
        for meter, lag_s in ADOPTED_S.items()
    ]
    return ride[:at] + adopted + ride[at:]


@pytest.fixture(scope="module")
def offline(rows: list[Row], demo_recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Recording:
    path = tmp_path_factory.mktemp("again") / "ride.parquet"
    write_recording(path, rows, read_recording(demo_recording).metadata, SystemStorage())
    return read_recording(path)


@pytest.fixture(scope="module")
def live(rows: list[Row], tmp_path_factory: pytest.TempPathFactory) -> SampleGatherer:
    """Followed while the journal grows, by pieces that end wherever chance will have it."""
    path = tmp_path_factory.mktemp("live") / "ride.journal"
    encoder = JournalEncoder("ride-1", journal_header(), seed=5)
    data = encoder.preamble() + b"".join(encoder.row(row) for row in rows)
    chance = random.Random(1)
    window = LiveWindow(JournalFollower(lambda: [path]))
    with path.open("ab", buffering=0) as file:
        while data:
            size = chance.randrange(1, 40_000)
            file.write(data[:size])
            data = data[size:]
            window.refresh()
    while window.refresh() or window.follower.behind:
        pass
    return window.gatherer


def differences(one: object, other: object, where: str = "") -> Iterator[str]:
    """Every place in which two results differ; nan equals nan, and nothing is rounded."""
    if type(one) is not type(other):
        yield f"{where}: {type(one)} against {type(other)}"
    elif isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        if one.dtype != other.dtype or not np.array_equal(one, other, equal_nan=one.dtype.kind == "f"):
            yield where
    elif dataclasses.is_dataclass(one):
        for part in dataclasses.fields(one):
            yield from differences(getattr(one, part.name), getattr(other, part.name), f"{where}.{part.name}")
    elif isinstance(one, Mapping) and isinstance(other, Mapping):
        if set(one) != set(other):
            yield f"{where}: {sorted(set(one) ^ set(other))}"
        for key in set(one) & set(other):
            yield from differences(one[key], other[key], f"{where}[{key}]")
    elif isinstance(one, tuple | list) and isinstance(other, tuple | list):
        if len(one) != len(other):
            yield f"{where}: {len(one)} against {len(other)}"
        for number, (a, b) in enumerate(zip(one, other, strict=False)):
            yield from differences(a, b, f"{where}[{number}]")
    elif one != other and not (isinstance(one, float) and math.isnan(one) and math.isnan(other)):  # type: ignore[arg-type]
        yield f"{where}: {one!r} against {other!r}"


def test_a_difference_would_be_seen() -> None:
    sample = sensor_samples("A", {"host_ns": [1, 2], "characteristic": ["2a63"] * 2, "power_w": [1.0, math.nan]})
    assert list(differences(sample, replace(sample, battery_pct=sample.power_w)))
    assert list(differences([sample], [sample, sample]))
    assert not list(differences({"a": (math.nan, sample)}, {"a": (math.nan, sample)}))


def test_samples_are_those_of_the_finished_file(live: SampleGatherer, offline: Recording) -> None:
    assert not list(differences(live.samples(), dict(offline.samples)))


def test_events_and_segments_are_those_of_the_finished_file(live: SampleGatherer, offline: Recording) -> None:
    assert tuple(live.events) == offline.events
    assert live.last_ns == offline.end_ns


def test_every_figure_of_every_segment_is_that_of_the_report(live: SampleGatherer, offline: Recording) -> None:
    judged = judge_recording(offline)
    assert judged.setup.lags_s["Birch"] == ADOPTED_S["Birch"]
    assert judged.setup.lags_s["Cedar"] == ADOPTED_S["Cedar"]
    shown = judge_segments_so_far(bench_signals(offline.bench, live.samples()), offline.segments, judged.setup)
    assert len(shown.results) > 5
    assert not list(differences(shown.results, judged.segments))


@pytest.mark.parametrize("number", [2, 5, 6])
def test_a_running_segment_reads_at_its_end_as_it_will_in_the_file(
    rows: list[Row], offline: Recording, number: int
) -> None:
    """Only what came before its end is known then, and only the last minutes are looked at."""
    segment = offline.segments[number]
    setup = replace(setup_of(offline.bench), lags_s={"Cedar": -0.22})
    known = gathered(row for row in rows if row.host_ns < segment.stop_ns)
    recent = {n: samples_since(s, segment.start_ns - 20 * S) for n, s in known.samples().items()}
    running = running_until(replace(segment, ended_by="interrupted"), segment.stop_ns)
    shown = judge_segments_so_far(bench_signals(offline.bench, recent), [running], setup).results[0]
    later = bench_signals(offline.bench, offline.samples)
    (told,) = segment_metrics(later, [replace(segment, stop_ns=running.stop_ns, ended_by="decided")], setup)
    assert segment.stop_ns - running.stop_ns < S
    assert not list(differences(shown.comparisons, told.comparisons))
    powers, told_powers = ({n: m.mean_power_w for n, m in r.meters.items()} for r in (shown, told))
    assert not list(differences(powers, told_powers))


def test_the_last_snapshot_lists_the_segments_of_the_report(rows: list[Row], offline: Recording) -> None:
    """Shown each 20 s from the first second on, so that all that a screen keeps has had its chance to go stale."""
    judged, maker, gatherer = judge_recording(offline), SnapshotMaker(), SampleGatherer()
    told = Tell(0.0, (), offline.bench.as_dict(), offline.metadata.plan, None, False, 0.0, 0.0, (), (), ())
    shown = maker.snapshot(gatherer, told, 0)
    for start_s in range(0, 760, 20):
        feed(gatherer, [row for row in rows if start_s * S <= row.host_ns < (start_s + 20) * S])
        shown = maker.snapshot(gatherer, told, (start_s + 20) * S)
    assert shown.reference == judged.reference
    assert [(r.segment_no, r.running) for r in shown.segments] == [
        (r.segment.segment_no, False) for r in judged.segments
    ]
    for row, result in zip(shown.segments, judged.segments, strict=True):
        means = {name: m.mean_power_w for name, m in result.meters.items() if math.isfinite(m.mean_power_w)}
        assert not list(differences(dict(row.mean_power_w), means))
        compared = {name: c.difference_pct.mean for name, c in result.comparisons.items()}
        # Dogwood's lag was not adopted while riding: the report takes out what the whole ride tells.
        same_lags = compared.keys() - (judged.setup.lags_s.keys() - ADOPTED_S.keys())
        assert same_lags
        assert not list(
            differences({n: row.difference_pct[n] for n in same_lags}, {n: compared[n] for n in same_lags})
        )


def test_the_report_shows_the_adopted_lag_beside_that_of_the_whole_ride(offline: Recording) -> None:
    judged = judge_recording(offline)
    table = report_tables(judged)["verdicts"].to_pydict()
    taken_out = dict(zip(table["meter"], table["lag_taken_out_s"], strict=True))
    assert {name: taken_out[name] for name in ADOPTED_S} == ADOPTED_S
    assert dict(zip(table["meter"], table["lag_s"], strict=True))["Birch"] == judged.lags["Birch"].lag_s
    assert lag_words(judged.lags["Birch"], taken_out["Birch"]).endswith("; +0.31 adopted while riding")
    assert "adopted" not in lag_words(judged.lags["Dogwood"], taken_out["Dogwood"])


def test_lags_count_from_the_event_on_and_only_against_their_reference(offline: Recording) -> None:
    assert adopted_lags(offline.events, "Alder") == ADOPTED_S
    assert adopted_lags(offline.events, "Birch") == {}
    assert adopted_lags(offline.events[:3], "Alder") == {}


def test_what_was_handed_out_stays_as_it_was(rows: list[Row]) -> None:
    gatherer = gathered(rows[:500])
    before = gatherer.samples()
    kept = {n: (s.power_w.values.copy(), s.arrivals_ns.copy()) for n, s in before.items()}
    late = [msgspec.structs.replace(row, host_ns=row.host_ns // 2) for row in rows[:100] if row.payload is not None]
    feed(gatherer, [*rows[500:2500], *late])
    assert not list(differences({n: (s.power_w.values, s.arrivals_ns) for n, s in before.items()}, kept))


# -- any columns ------------------------------------------------------------------------------------------------

NUMBERS = (
    "power_w",
    "cadence_rpm",
    "balance_left_pct",
    "temperature_c",
    "battery_pct",
    "accumulated_torque_nm",
    "crank_revolutions",
    "crank_event_s",
)
FOUND = st.fixed_dictionaries(
    {},
    optional={
        **{name: st.one_of(st.integers(-5, 900), st.floats(-5, 900), st.just(math.nan)) for name in NUMBERS},
        "balance_reference": st.sampled_from(["left", "unknown"]),
    },
)
ROW = st.tuples(st.integers(0, 30), st.sampled_from(["2a63", "2a5b", "2ad2", "2a6e", "imported"]), FOUND)


@given(st.lists(ROW, max_size=200))
def test_any_rows_in_any_order_give_the_samples_of_columns(
    drawn: list[tuple[int, str, dict[str, Any]]],
) -> None:
    gatherer = SampleGatherer()
    for host_ns, characteristic, found in drawn:
        gatherer.add(Row(host_ns, "notification", "Alder", characteristic, b""), found)
    ordered = sorted(drawn, key=lambda row: row[0])
    columns: dict[str, Any] = {
        "host_ns": np.array([row[0] for row in ordered], np.int64),
        "characteristic": np.array([row[1] for row in ordered], str),
        "balance_reference": np.array([row[2].get("balance_reference", "") for row in ordered], str),
    }
    for name in NUMBERS:
        columns[name] = np.array([float(row[2].get(name, math.nan)) for row in ordered])
    expected = {"Alder": sensor_samples("Alder", columns)} if drawn else {}
    assert not list(differences(gatherer.samples(), expected))


def gathered(rows: Any) -> SampleGatherer:
    gatherer = SampleGatherer()
    feed(gatherer, rows)
    return gatherer


def feed(gatherer: SampleGatherer, rows: Any) -> None:
    window = LiveWindow(JournalFollower(list), gatherer)
    window.take(rows)
