"""What a live screen shows at one instant, as one immutable value: made elsewhere, drawn by whoever likes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from analysis.live_judgement import Against as Against  # noqa: PLC0414 - a part of the snapshot, made in analysis
from analysis.verdict import Word

LinkState = Literal["waiting", "live", "silent", "lost", "back"]
Health = Literal["well", "watch", "bad"]


@dataclass(frozen=True)
class MeterView:
    """One meter or sensor. Values are nan where nothing fresh is there. `trend_pct`: the difference of the last
    minutes, one value per `Snapshot.trend_step_s`, oldest first, nan for gaps."""

    name: str
    place: str
    is_reference: bool
    judged: bool
    link: LinkState
    silent_s: float
    power_w: float
    cadence_rpm: float
    left_share_pct: float
    battery_pct: float
    window: Against | None
    segment: Against | None
    steady: Against | None
    trend_pct: tuple[float, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class StepView:
    """One turn of the plan in the list; `state` tells where the ride is."""

    name: str
    kind: str
    seconds: float
    target_w: float | None
    posture: str
    state: Literal["done", "now", "next", "later", "skipped"]


@dataclass(frozen=True)
class PlanView:
    """`caution` is said before and during maximal efforts. `announce`: the next step is near, in words."""

    name: str
    steps: tuple[StepView, ...]
    step: StepView | None
    target_cadence_rpm: float | None
    elapsed_s: float
    left_s: float
    until_decided: bool
    resting: bool
    announce: str = ""
    caution: str = ""


@dataclass(frozen=True)
class SegmentRow:
    """One finished or running segment for the table: the mean power and difference of every meter, by name."""

    segment_no: int
    name: str
    seconds: float
    running: bool
    mean_power_w: Mapping[str, float]
    difference_pct: Mapping[str, float]
    word: Mapping[str, Word]


@dataclass(frozen=True)
class Message:
    """Something said to people, `at_s` seconds after the start of the recording."""

    at_s: float
    text: str
    weight: Health = "well"


@dataclass(frozen=True)
class Snapshot:
    """All of it. Texts from devices are already cleaned, and are never markup. `question` waits for the key y."""

    bench: str
    recorded_s: float
    reference: str | None
    window_s: int
    trend_step_s: float
    meters: tuple[MeterView, ...]
    plan: PlanView | None
    segments: tuple[SegmentRow, ...]
    messages: tuple[Message, ...]
    disk: Health
    disk_words: str
    clock: Health
    clock_words: str
    recording: str
    finishing: bool = False
    ended: bool = False
    ended_words: str = ""
    zero_answers: Mapping[str, str] = field(default_factory=dict)
    question: str = ""
