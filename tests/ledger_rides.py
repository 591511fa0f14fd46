"""Rides for tests of the ledger: whole recordings in their file, and results made directly from numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from analysis.bench_file import bench_from_dict
from analysis.characteristics.registry import DECODER_VERSION
from analysis.ledger.ledger_folder import LedgerFolder, open_ledger
from analysis.ledger.results_schema import METER, RIDE, SCHEMA, SEGMENT
from analysis.recording_schema import SCHEMA_MAJOR, SCHEMA_MINOR, Finish, Metadata
from analysis.rows import Event, Row
from recorder.recording_writer import write_recording
from recorder.storage import SystemStorage
from tests.reported_rides import PLACES, SCALES, segment_events, steps_w

S = 1_000_000_000
DAY_NS = 86_400 * S
START_NS = 1_795_615_031 * S
STEP_S = 70


def bench_table(meters: Sequence[str], **changes: Any) -> dict[str, Any]:
    tables = [
        {"name": m, "unit": f"{m.lower()}-1", "address": f"F0:00:00:00:00:{n:02d}", **PLACES[m]}
        for n, m in enumerate(meters, 1)
    ]
    tables[0]["parts"] = [{"name": "pedal pair", "mass_g": 326, "price": 620.0, "currency": "EUR"}]
    return {"bench": {"name": "Quayside bench", "reference": meters[0]}, "meter": tables, **changes}


def write_ride(
    path: Path,
    *,
    session: str = "0" * 31 + "1",
    day: float = 0.0,
    meters: Sequence[str] = ("Alder", "Birch"),
    sensors: Mapping[str, Mapping[str, Any]] | None = None,
    bench: Mapping[str, Any] | None = None,
    seed: int = 1,
    continues: str | None = None,
) -> Path:
    """Five steps at 1 Hz, every meter with its scale; Alder is zeroed and tells its battery."""
    noise = np.random.default_rng(seed)
    true_w = steps_w(STEP_S)
    rows = segment_events(STEP_S)
    zeroed = {"result": "done", "raw": 812, "unit": "1/32 N·m", "offset_nm": 25.4, "words": "done"}
    rows.append(Row(S, "event", meters[0], event=Event.ZERO_ANSWERED, detail=zeroed))
    rows += [Row(n * 100 * S + 1, "notification", meters[0], "2a19", bytes([90 - n])) for n in range(3)]
    for number, name in enumerate(meters):
        watts = np.round(true_w * SCALES[name] * (1 + 0.01 * noise.standard_normal(len(true_w))))
        rows += [
            Row(n * S + number, "notification", name, "2a63", b"\x00\x00" + int(w).to_bytes(2, "little"))
            for n, w in enumerate(watts)
        ]
    told = {m: {"serial": f"{m} 0042", "firmware_revision": "1.0"} for m in meters}
    metadata = Metadata(
        schema_major=SCHEMA_MAJOR,
        schema_minor=SCHEMA_MINOR,
        decoder_version=DECODER_VERSION,
        product_version="test",
        session_id=session,
        host="bench laptop",
        clock="CLOCK_BOOTTIME",
        utc_anchors=((0, START_NS + round(day * DAY_NS)),),
        bench=bench_from_dict(dict(bench or bench_table(meters))).as_dict(),
        sensors={m: {**told[m], **(sensors or {}).get(m, {})} for m in meters},
        finish=Finish(clean=True, reason="plan"),
        continues=continues,
    )
    write_recording(path, rows, metadata, SystemStorage())
    return path


@dataclass(frozen=True)
class Against:
    """A unit as it read against the reference in an invented ride: one value per steady step, in %."""

    unit: str
    away_pct: Sequence[float]
    firmware: str = "1.0"
    facts: Mapping[str, Any] = field(default_factory=dict)


def made_results(
    session: str,
    day: float,
    reference: str,
    others: Sequence[Against],
    *,
    reference_firmware: str = "1.0",
    reference_facts: Mapping[str, Any] | None = None,
    length_s: float = 3600.0,
    half_width_pct: float = 0.1,
    tolerance_pct: float = 1.5,
) -> pa.Table:
    """What `segment_results` would have made of such a ride."""
    ride = {
        "session": session,
        "sha256": digest_of(session),
        "recording": f"{session}.parquet",
        "start_utc_ns": START_NS + round(day * DAY_NS),
        "length_s": length_s,
        "bench": "Quayside bench",
        "clean": True,
        "meters": 1 + len(others),
    }
    base = {
        "meter": reference,
        "unit": reference,
        "place": "pedals",
        "claim_pct": 1.0,
        "firmware": reference_firmware,
    }
    rows: list[dict[str, Any]] = [{**ride, "row": RIDE}, {**ride, **base, **(reference_facts or {}), "row": METER}]
    for other in others:
        pair = {
            **ride,
            "meter": other.unit,
            "unit": other.unit,
            "place": "spider",
            "claim_pct": 1.0,
            "firmware": other.firmware,
            "reference": reference,
            "reference_unit": reference,
            "reference_firmware": reference_firmware,
            "tolerance_pct": tolerance_pct,
        }
        mean = float(np.mean(other.away_pct))
        word = "agrees" if abs(mean) + half_width_pct < tolerance_pct else "differs"
        judged = {"away_pct": mean, "away_half_width_pct": half_width_pct, "verdict": word, "segments_judged": 4}
        rows.append({**pair, **judged, **other.facts, "row": METER})
        step_half = half_width_pct * math.sqrt(len(other.away_pct))
        rows += [
            {
                **pair,
                **other.facts,
                **_step(n),
                "difference_pct": away,
                "expected_ratio": 1.0,
                "away_pct": away,
                "away_half_width_pct": step_half,
                "too_short": False,
            }
            for n, away in enumerate(other.away_pct)
        ]
    steps = max((len(o.away_pct) for o in others), default=0)
    rows += [{**ride, **base, **(reference_facts or {}), **_step(n)} for n in range(steps)]
    return pa.Table.from_pylist(rows, schema=SCHEMA)


def _step(number: int) -> dict[str, Any]:
    return {
        "row": SEGMENT,
        "segment_no": number + 1,
        "segment": f"steady {number + 1}",
        "repeat_no": 1,
        "step_kind": "steady",
        "mean_power_w": 200.0,
        "mean_cadence_rpm": 90.0,
        "mean_torque_nm": 200 * 30 / (90 * math.pi),
    }


def digest_of(session: str) -> str:
    return session.encode().hex().ljust(64, "0")[:64]


def ledger_of(place: Path, tables: Sequence[pa.Table]) -> LedgerFolder:
    """A ledger with these results; it has no recordings."""
    folder = open_ledger(str(place), make=True)
    quick = LedgerFolder(folder.files)  # as if elsewhere: nothing waits for the disk
    with quick.writing():
        for table in tables:
            quick.put_results(table["sha256"][0].as_py(), table)
    return folder


class Died(BaseException):
    """No code handles it: as with a dead process, nothing is tidied up behind it."""


@dataclass(frozen=True)
class DyingFolder(LedgerFolder):
    """Dies when the n-th change of the folder has reached the disk."""

    left: list[int] = field(default_factory=list)

    def _put_on_disk(self, path: Path) -> None:
        super()._put_on_disk(path)
        self.left[0] -= 1
        if self.left[0] < 0:
            raise Died
