"""What a recording says of the file each sensor's ride came from, and of how its clock was put on the reference's."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.recording_schema import Metadata
from analysis.safe_text import safe_text
from analysis.samples import Floats

LINE_POINTS = 101
MOST_WINDOWS = 2000
MOST_JUMPS = 10
FAR_APART_S = 1200.0
MOST = 1e12
_DEVICE = ("manufacturer", "product", "serial", "firmware")


@dataclass(frozen=True)
class ClockWindow:
    """Of one stretch; `centre_s` since the first record of the file."""

    centre_s: float
    offset_s: float
    used: bool


@dataclass(frozen=True, eq=False)
class ClockLine:
    """Offset of a clock along the ride (n,), with its half-width at 95 %; time since the first record of the file."""

    time_s: Floats
    offset_s: Floats
    half_width_s: Floats


@dataclass(frozen=True)
class Source:
    """`clock` is the alignment as the metadata has it; `aligned` where it was estimated, so that it holds the lag."""

    sensor: str
    file: str
    sha256: str
    kind: str
    recorded_on: str
    meter: str
    remarks: tuple[str, ...]
    damaged: bool
    clock: Mapping[str, Any]

    @property
    def aligned(self) -> bool:
        return self.clock.get("method") == "correlation"

    @property
    def sentence(self) -> str:
        device = f", recorded on {self.recorded_on}" if self.recorded_on else ""
        return (
            f"{self.sensor}: from {self.file} ({self.kind.upper()}, SHA-256 {self.sha256[:12]}…){device}; "
            f"{clock_sentence(self.clock)}."
            + (f" The file is damaged: {'; '.join(self.remarks)}." if self.damaged else "")
        )


def ride_sources(metadata: Metadata) -> dict[str, Source]:
    """Of every sensor that was imported, as the recording says; made harmless."""
    return {name: found for name, about in metadata.sensors.items() if (found := _source(name, about)) is not None}


def _source(name: str, about: Mapping[str, Any]) -> Source | None:
    told, clock = about.get("source"), about.get("alignment")
    if not isinstance(told, Mapping):
        return None
    remarks = told.get("remarks")
    return Source(
        sensor=name,
        file=_text(told.get("file"), 80),
        sha256=_text(told.get("sha256"), 64),
        kind=_text(told.get("kind"), 8),
        recorded_on=_device(told.get("recorded_on")),
        meter=_device(told.get("meter")),
        remarks=tuple(_text(r, 300) for r in remarks) if isinstance(remarks, list | tuple) else (),
        damaged=told.get("damaged") is True,
        clock=clock if isinstance(clock, Mapping) else {},
    )


def _text(value: Any, limit: int) -> str:
    return safe_text(value, limit) if isinstance(value, str) else ""


def _device(told: Any) -> str:
    if not isinstance(told, Mapping):
        return ""
    maker, product, serial, firmware = (_text(told.get(key), 64) for key in _DEVICE)
    parts = [f"{maker} {product}".strip()]
    parts += [f"serial {serial}"] if serial else []
    parts += [f"firmware {firmware}"] if firmware else []
    return ", ".join(part for part in parts if part)


def clock_sentence(clock: Mapping[str, Any]) -> str:
    """What is missing or foreign in it is left unsaid."""
    reference, method = _text(clock.get("reference"), 40) or "the reference", clock.get("method")
    if method == "reference":
        return "its clock is that of the recording"
    drifts = math.isfinite(number_of(clock.get("drift_ppm")))
    what = f"{number_of(clock.get('offset_s')):+.2f}{_width(clock.get('offset_half_width_s'), '.2f')} s"
    what += " in the middle of the ride" if drifts else ""
    counted = ", counted from the first records" if clock.get("counted_from") == "first records" else ""
    if method == "stated":
        return f"its clock is put on that of {reference} by {what} as stated{counted}; drift and lag are not known"
    windows = clock_windows(clock)
    used = sum(w.used for w in windows)
    drift = f"drift {number_of(clock.get('drift_ppm')):+.1f}{_width(clock.get('drift_half_width_ppm'), '.1f')} ppm"
    return (
        f"its clock is put on that of {reference} by {what} (clock and lag of the meter together{counted}), "
        f"{drift if drifts else 'no drift proven'}, from {used} of {len(windows)} stretches of the ride"
        f"{' (the others fit badly)' if used < len(windows) else ''}{_jumps(clock)}{_far_apart(clock)}"
    )


def _jumps(clock: Mapping[str, Any]) -> str:
    listed = clock.get("jumps")
    jumps = [j for j in listed if isinstance(j, Mapping)] if isinstance(listed, list | tuple) else []
    by_s = [by for jump in jumps[:MOST_JUMPS] if math.isfinite(by := number_of(jump.get("by_s")))]
    return "".join(f"; one of the clocks was set by {by:+.1f} s on the way" for by in by_s)


def _far_apart(clock: Mapping[str, Any]) -> str:
    """Where one clock counts from its start, the offset tells nothing of it."""
    offset_s = number_of(clock.get("offset_s"))
    if clock.get("counted_from") != "clocks" or not abs(offset_s) >= FAR_APART_S:
        return ""
    hours = round(abs(offset_s) / 900) / 4
    return f"; that is about {hours:g} h: one of the two clocks gives another time zone, or was never set"


def clock_windows(clock: Mapping[str, Any]) -> tuple[ClockWindow, ...]:
    listed = clock.get("windows")
    return tuple(_windows(listed)) if isinstance(listed, list | tuple) else ()


def _windows(listed: list[Any] | tuple[Any, ...]) -> Iterator[ClockWindow]:
    for entry in listed[:MOST_WINDOWS]:
        if isinstance(entry, Mapping):
            centre_s, offset_s = number_of(entry.get("centre_s")), number_of(entry.get("offset_s"))
            if math.isfinite(centre_s) and math.isfinite(offset_s):
                yield ClockWindow(centre_s, offset_s, bool(entry.get("used")))


def clock_line(clock: Mapping[str, Any]) -> ClockLine | None:
    """The line through the windows, over their span; None where there are none.

    The half-width grows from the middle outwards, for offset and drift err independently of each other there.
    """
    windows = clock_windows(clock)
    middle_s, offset_s = number_of(clock.get("epoch_s")), number_of(clock.get("offset_s"))
    if not windows or not math.isfinite(middle_s) or not math.isfinite(offset_s):
        return None
    centres = [w.centre_s for w in windows]
    time_s = np.linspace(min(centres), max(centres), LINE_POINTS)
    along_s = time_s - middle_s
    drift, width, drift_width = (
        value if math.isfinite(value := number_of(clock.get(key))) else 0.0
        for key in ("drift_ppm", "offset_half_width_s", "drift_half_width_ppm")
    )
    line = offset_s + 1e-6 * drift * along_s
    jumps = clock.get("jumps")
    for jump in jumps if isinstance(jumps, list | tuple) else ():
        at_s, by_s = (number_of(jump.get(key)) if isinstance(jump, Mapping) else math.nan for key in ("at_s", "by_s"))
        if math.isfinite(at_s) and math.isfinite(by_s):
            line = line + by_s * ((time_s >= at_s) * 1.0 - (middle_s >= at_s))
    return ClockLine(time_s, line, np.hypot(width, 1e-6 * drift_width * along_s))


def number_of(value: Any) -> float:
    """nan for what is no number, or one that no clock and no time of a ride has."""
    usable = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < MOST
    return float(value) if usable else math.nan


def _width(half_width: Any, form: str) -> str:
    value = number_of(half_width)
    return f" ± {value:{form}}" if math.isfinite(value) else ""
