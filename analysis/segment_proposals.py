"""Which stretches of an unmarked ride are worth judging: steady ones and surges, as proposals for a person."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.clock_alignment import Track


@dataclass(frozen=True)
class ProposedSegment:
    """`[start_s, stop_s)` of the track's own clock; `kind` is a step kind of a plan."""

    name: str
    kind: str
    start_s: float
    stop_s: float
    words: str


def propose(track: Track) -> tuple[ProposedSegment, ...]:
    """In order of time, without overlap."""
    return ()
