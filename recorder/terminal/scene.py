"""Knows what the panels draw: the newest snapshot, and what the screen itself has to say beside it."""

from __future__ import annotations

from dataclasses import dataclass

from recorder.live_snapshot import Against, MeterView, Snapshot


@dataclass(frozen=True)
class Scene:
    """`seen` counts snapshots; `notices` are answers to keys; `troubles` are its own faults in words."""

    snapshot: Snapshot
    owner: bool
    seen: int = 0
    notices: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()

    @property
    def meters(self) -> list[MeterView]:
        return [m for m in self.snapshot.meters if m.judged or m.is_reference]

    @property
    def sensors(self) -> list[MeterView]:
        return [m for m in self.snapshot.meters if not (m.judged or m.is_reference)]


def evidence(meter: MeterView) -> tuple[str, Against | None]:
    """What the verdict rests on, and its name: all steady steps so far, else this step, else the last seconds."""
    for name, against in (("steady steps", meter.steady), ("this step", meter.segment), ("last", meter.window)):
        if against is not None and against.seconds > 0:
            return name, against
    return "", meter.steady or meter.segment or meter.window


def band(meter: MeterView) -> tuple[float, float]:
    """Expected difference and tolerance in %, to lay the trend upon; tolerance 0 where there is none."""
    _, against = evidence(meter)
    if against is None or not against.tolerance_pct > 0:
        return 0.0, 0.0
    expected = against.difference_pct - against.away_pct
    return (expected if abs(expected) < 1e3 else 0.0), against.tolerance_pct
