"""Packs for tests: of a recording, and made anew by somebody who edits a member and mends every list."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.characteristics.cycling_power_measurement import CyclingPowerMeasurement
from analysis.characteristics.registry import DECODER_VERSION
from analysis.pack.archive_form import archive_bytes
from analysis.pack.manifest import MANIFEST, manifest_text
from analysis.pack.pieces import PIECES, pieces_text
from analysis.recording_schema import SCHEMA_MAJOR, SCHEMA_MINOR, Finish, Metadata
from analysis.rows import Event, Row
from analysis.version import product_version
from recorder.recording_writer import write_recording
from recorder.storage import SystemStorage
from tests.reported_rides import S, bench_of

METERS = ("Alder", "Birch", "Cedar")
STEPS_W = (130, 150, 200, 250, 210)
STEP_S = 70


def members_of(pack: bytes) -> dict[str, bytes]:
    """As the standard library's zipfile reads them."""
    with zipfile.ZipFile(io.BytesIO(pack)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def made_anew(members: Mapping[str, bytes]) -> bytes:
    """With checksums, pieces and manifest all right again."""
    contents = {name: content for name, content in members.items() if name not in (PIECES, MANIFEST)}
    contents[PIECES] = pieces_text(contents)
    contents[MANIFEST] = manifest_text(contents)
    return archive_bytes(contents)


def edited(pack: bytes, member: str, before: bytes, after: bytes) -> bytes:
    members = members_of(pack)
    assert before in members[member]
    members[member] = members[member].replace(before, after, 1)
    return made_anew(members)


def with_value(recording: bytes, column: str, row: int, value: object) -> bytes:
    """A recording with another value stored, everything else as it was."""
    table = pq.read_table(pa.BufferReader(recording))
    values = table[column].to_pylist()
    assert values[row] != value
    values[row] = value
    changed = table.set_column(
        table.column_names.index(column), table.field(column), pa.array(values, table.field(column).type)
    )
    out = pa.BufferOutputStream()
    pq.write_table(changed, out, compression="zstd", write_page_checksum=True)
    return bytes(out.getvalue().to_pybytes())


def row_with(recording: Path, column: str) -> int:
    """The first row well inside the ride that has a value there."""
    values = pq.read_table(recording, columns=[column])[column].to_pylist()
    return next(n for n, value in enumerate(values) if n > len(values) // 2 and value is not None)


def short_ride(path: Path) -> Path:
    """Alder, Birch and Cedar for 350 s at 1 Hz, five steps, written as the recorder writes; quick to judge."""
    noise = np.random.default_rng(5)
    rows: list[Row] = []
    for step, watts in enumerate(STEPS_W):
        start_ns = step * STEP_S * S
        start = {"segment_no": step + 1, "name": f"steady {watts}", "step_kind": "steady" if step else "warm-up"}
        rows.append(Row(start_ns, "event", event=Event.SEGMENT_START, detail={**start, "settle_s": 5.0}))
        for second in range(STEP_S):
            for number, scale in enumerate((1.0, 0.996, 0.93)):
                power = CyclingPowerMeasurement(power_w=round(watts * scale + noise.normal(0, 1.5)))
                at_ns = start_ns + second * S + number * 1000
                rows.append(Row(at_ns, "notification", METERS[number], "2a63", bytes(power)))
        end = {"segment_no": step + 1, "ended_by": "plan"}
        rows.append(Row(start_ns + STEP_S * S - 1, "event", event=Event.SEGMENT_END, detail=end))
    bench = bench_of(METERS)
    metadata = Metadata(
        schema_major=SCHEMA_MAJOR,
        schema_minor=SCHEMA_MINOR,
        decoder_version=DECODER_VERSION,
        product_version=product_version(),
        session_id="0" * 32,
        host="bench laptop",
        clock="CLOCK_BOOTTIME",
        utc_anchors=((0, 1_795_615_031 * S), (350 * S, 1_795_615_381 * S)),
        bench=bench.as_dict(),
        plan={"plan": {"name": "short"}, "step": [{"name": "easy", "kind": "free", "seconds": 70.0}]},
        finish=Finish(clean=True, reason="plan"),
    )
    write_recording(path, rows, metadata, SystemStorage())
    return path
