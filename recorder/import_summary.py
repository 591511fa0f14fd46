"""What came of an import, in words and as JSON: rows, gaps and the clock of every meter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.ride_files.ride_file import RideFile
from analysis.ride_source import clock_sentence
from recorder.import_rows import PlacedFile
from recorder.import_segments import WantedSegment


@dataclass(frozen=True)
class FileSummary:
    """`missing_s`: time without a value between the first and the last record, pauses left out."""

    file: str
    rows: int
    gaps: int
    missing_s: float
    pauses: int
    paused_s: float
    remarks: tuple[str, ...]
    clock: Mapping[str, Any]


@dataclass(frozen=True)
class ImportSummary:
    """`before`: a recording of the same start that lay in the folder already, and was left as it is."""

    recording: Path
    reference: str
    seconds: float
    segments: tuple[WantedSegment, ...]
    sensors: Mapping[str, FileSummary]
    before: Path | None = None

    def in_words(self) -> str:
        minutes, seconds = divmod(round(self.seconds), 60)
        count = len(self.segments)
        marked = f"{count} {'segment' if count == 1 else 'segments'}"
        marked = marked if count else "no segment marked: see --laps, --segment, --propose"
        lines = [f"imported {self.recording} ({minutes} min {seconds:02d} s, {marked})"]
        if self.before is not None:
            lines.append(f"  {self.before.name} begins at the same minute: it is left as it is, and this is one more")
        for name, found in self.sensors.items():
            rows = f"{found.rows} {'row' if found.rows == 1 else 'rows'}"
            lines.append(f"  {name}: {rows} from {found.file}{_missing(found)}")
            lines.append(f"    {clock_sentence(found.clock)}")
            lines += [f"    {remark}" for remark in found.remarks]
        lines += [f"  segment {segment.words}" for segment in self.segments]
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        return {
            "recording": str(self.recording),
            "reference": self.reference,
            "seconds": round(self.seconds, 3),
            "segments": len(self.segments),
            "sensors": {name: _as_dict(found) for name, found in self.sensors.items()},
        }


def file_summary(placed: PlacedFile) -> FileSummary:
    file = placed.file
    gaps, missing_s = _gaps(file)
    return FileSummary(
        file.name,
        len(file.payloads),
        gaps,
        missing_s,
        len(file.pauses),
        sum(p.seconds for p in file.pauses),
        file.remarks,
        placed.clock.as_dict(),
    )


def _gaps(file: RideFile) -> tuple[int, float]:
    """Stretches between neighbouring values that are longer than a value stands, outside pauses."""
    measured = np.isfinite(file.power_w if file.has_power else file.cadence_rpm)
    time_ns = file.time_ns[measured]
    if len(time_ns) < 2:
        return 0, 0.0
    steps_s = np.diff(time_ns) / 1e9
    wide = steps_s > file.hold_s
    for pause in file.pauses:
        wide &= ~((time_ns[:-1] < pause.stop_ns) & (time_ns[1:] > pause.start_ns))
    usual_s = file.spacing_s if math.isfinite(file.spacing_s) else 0.0
    return int(np.count_nonzero(wide)), float(np.sum(steps_s[wide] - usual_s))


def _missing(found: FileSummary) -> str:
    parts = []
    if found.gaps:
        parts.append(f"{found.gaps} {'gap' if found.gaps == 1 else 'gaps'} ({found.missing_s:.0f} s missing)")
    if found.pauses:
        parts.append(f"{found.pauses} {'pause' if found.pauses == 1 else 'pauses'} ({found.paused_s:.0f} s)")
    return "".join(f", {part}" for part in parts)


def _as_dict(found: FileSummary) -> dict[str, Any]:
    return {
        "file": found.file,
        "rows": found.rows,
        "gaps": found.gaps,
        "missing_s": round(found.missing_s, 3),
        "pauses": found.pauses,
        "paused_s": round(found.paused_s, 3),
        "remarks": list(found.remarks),
        "clock": dict(found.clock),
    }
