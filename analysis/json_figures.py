"""Figures as JSON takes them: arrays become lists, and what cannot be said is null."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from analysis.judge import Judged
from analysis.recording_reader import Recording
from analysis.ride_source import ride_sources
from analysis.words import amendment_sentences


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
    table["sources"] = {name: jsonable(asdict(s)) for name, s in ride_sources(recording.metadata).items()}
    told = amendment_sentences(recording.amendments, judged.as_recorded)
    table["amendments"] = {"sha256": recording.amendments.sha256, "words": told} if recording.amendments else None
    # Over the whole ride, sprints and coasting in: figures to look at, and no verdict beside the verdicts.
    for compared in table["ride"]["comparisons"].values():
        del compared["word"], compared["seconds_to_decide"]
    return table
