"""Figures as JSON takes them: arrays become lists, and what cannot be said is null."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from analysis.joined_ride import Part, ride_amendments, ride_parts
from analysis.judge import Judged
from analysis.part_words import amended_sentences
from analysis.recording_reader import Recording
from analysis.ride_source import ride_sources


def jsonable(value: Any) -> Any:
    """Plain Python of dicts, lists, text and finite numbers; nan and infinity have no place in JSON."""
    if isinstance(value, dict):
        return {str(key): jsonable(v) for key, v in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return jsonable(value.tolist())
    if isinstance(value, list | tuple):
        return [jsonable(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def every_figure(recording: Recording, judged: Judged, paths: Sequence[Path]) -> dict[str, Any]:
    """All that a report says, as `report --json` prints it and as an evidence pack keeps it."""
    named = {"recording": str(recording.path), "recordings": [str(path) for path in paths]}
    table: dict[str, Any] = {**named, **jsonable(asdict(judged))}
    table["parts"] = [_part(part) for part in ride_parts(recording)]
    # Of a sensor that was imported in several files, the last: each part has its own.
    table["sources"] = {name: told for part in table["parts"] for name, told in part["sources"].items()}
    table["amendments"] = _amendments(recording, judged)
    # Over the whole ride, sprints and coasting in: figures to look at, and no verdict beside the verdicts.
    for compared in table["ride"]["comparisons"].values():
        del compared["word"], compared["seconds_to_decide"]
    return table


def _part(part: Part) -> dict[str, Any]:
    metadata = part.recording.metadata
    return {
        "recording": part.recording.path.name,
        "session": metadata.session_id,
        "continues": metadata.continues,
        "starts_at_s": part.offset_ns / 1e9,
        "ends_at_s": part.stop_ns / 1e9,
        "added_to_segment_numbers": part.numbers_before,
        "sources": {name: jsonable(asdict(s)) for name, s in ride_sources(metadata).items()},
    }


def _amendments(recording: Recording, judged: Judged) -> dict[str, Any] | None:
    """`sha256` is that of a single file; several are listed in `files`."""
    amended = ride_amendments(recording)
    if not amended:
        return None
    files = [{"recording": part.recording.path.name, "sha256": found.sha256} for part, found in amended]
    single = files[0]["sha256"] if len(ride_parts(recording)) == 1 else None
    return {"sha256": single, "files": files, "words": amended_sentences(recording, judged.as_recorded)}
