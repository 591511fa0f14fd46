"""What is said of a recording once it is over: as lines for people and as one object for programs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recorder.recording_session import SensorCounts
from recorder.source import NotHere


@dataclass(frozen=True)
class Summary:
    """What a finished recording amounts to; `recording` is None where only the journal could be kept."""

    recording: Path | None
    journal: Path | None
    seconds: float
    reason: str
    sensors: dict[str, SensorCounts]
    recovered: tuple[str, ...]
    not_here: tuple[NotHere, ...] = ()

    def in_words(self) -> str:
        minutes, seconds = divmod(round(self.seconds), 60)
        kept = f"recorded {self.recording}" if self.recording else f"the ride is safe in {self.journal}"
        lines = [f"{kept} ({minutes} min {seconds:02d} s, ended by: {self.reason})"]
        lines += [f"  {name}: {_counted(counts)}" for name, counts in self.sensors.items()]
        lines += [f"  {missing.words}" for missing in self.not_here]
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        return {
            "recording": None if self.recording is None else str(self.recording),
            "journal": None if self.journal is None else str(self.journal),
            "seconds": round(self.seconds, 3),
            "reason": self.reason,
            "sensors": {
                name: {
                    "rows": counts.rows,
                    "gaps": counts.gaps,
                    "duplicates_dropped": counts.duplicates_dropped,
                    "not_understood": counts.not_understood,
                }
                for name, counts in self.sensors.items()
            },
            "recovered": list(self.recovered),
            "relays_missing": [{"relay": m.relay, "words": m.words, "known_rows": m.count} for m in self.not_here],
        }


def _counted(counts: SensorCounts) -> str:
    if not counts.rows:
        return "nothing was ever received"
    parts = [
        plural(counts.rows, "row", "rows"),
        plural(counts.gaps, "gap", "gaps"),
        plural(counts.duplicates_dropped, "duplicate dropped", "duplicates dropped"),
        plural(counts.not_understood, "payload not understood", "payloads not understood"),
    ]
    return ", ".join(part for part in parts if not part.startswith("0 "))


def plural(number: int, one: str, more: str) -> str:
    return f"{number} {one if number == 1 else more}"
