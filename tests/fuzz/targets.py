"""Every place at which foreign bytes come in, with what it begins from; imports nothing but when a target is used."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

CRASHES = Path(__file__).parent / "crashes"


@dataclass(frozen=True)
class Target:
    """`run` raises whatever it should not; `seeds` are inputs that are well formed. `cost`: about how many
    milliseconds an input takes."""

    name: str
    run: Callable[[bytes], None]
    seeds: Callable[[], Iterable[bytes]]
    cost_ms: float = 1.0

    def crashes(self) -> list[Path]:
        """Inputs that once did what they must not."""
        return sorted((CRASHES / self.name).glob("*"))


_MODULES = (
    "tests.fuzz.payload_targets",
    "tests.fuzz.journal_targets",
    "tests.fuzz.recording_targets",
    "tests.fuzz.text_targets",
    "tests.fuzz.message_targets",
    "tests.fuzz.ride_file_targets",
    "tests.fuzz.relay_targets",
    "tests.fuzz.pack_targets",
)


def all_targets() -> dict[str, Target]:
    """By name."""
    found = [target for module in _MODULES for target in importlib.import_module(module).TARGETS]
    return {target.name: target for target in found}
