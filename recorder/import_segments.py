"""Segments of an imported ride: stated by hand, or the laps of the reference's file; on the recording's clock."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, get_args

from analysis.errors import BadInput
from analysis.plan_file import StepKind
from analysis.safe_text import safe_text
from analysis.segment_proposals import ProposedSegment

KINDS: tuple[str, ...] = get_args(StepKind)
MOST_SEGMENTS = 500
MOST_LIST = 200_000  # characters
LONGEST_NAME = 48
DAY_S = 86_400
_TIME = r"(?:(\d{1,2}):)?(\d{1,3}):(\d\d(?:\.\d{1,3})?)(Z?)"
# Text from a word processor has dashes for hyphens.
_RANGE = re.compile(f"{_TIME}\\s*[-\u2013\u2212]\\s*{_TIME}", re.ASCII)
FORM = (
    "name=H:MM:SS-H:MM:SS, from the start of the ride, or with a Z behind both, times of the day in UTC; for example "
    "climb=0:42:00-0:49:30"
)


@dataclass(frozen=True)
class WantedSegment:
    """Half open, in ns since the start of the recording. `ended_by`: a lap of the device, or marked afterwards."""

    name: str
    kind: str
    start_ns: int
    stop_ns: int
    ended_by: Literal["marked", "lap"] = "marked"

    @property
    def words(self) -> str:
        kind = "" if self.kind == "free" else f" ({self.kind})"
        return f"{self.name}{kind}: {clock_text(self.start_ns)} to {clock_text(self.stop_ns)}"


def segments_by_hand(texts: Sequence[str], start_utc_ns: int | None) -> list[WantedSegment]:
    """From `name=0:10:00-0:13:00` or `name:kind=...`; `start_utc_ns` is the UTC of the recording's start.

    :raises BadInput: for what cannot be understood, or times that do not rise.
    """
    return [_by_hand(text, start_utc_ns) for text in texts]


def listed_segments(path: Path) -> list[str]:
    """What a file lists, one a line, as `--propose` prints them or without the option's name; `#` begins a remark.

    :raises BadInput: where the file cannot be read, or a line is neither.
    """
    shown = safe_text(str(path), 200)
    try:
        with path.open(encoding="utf-8-sig") as file:
            text = file.read(MOST_LIST + 1)
    except (OSError, ValueError) as fault:
        why = (
            "it is not text in UTF-8"
            if isinstance(fault, UnicodeError)
            else getattr(fault, "strerror", "no such path")
        )
        raise BadInput(f"{shown} cannot be read as a list of segments: {why}") from fault
    if len(text) > MOST_LIST:
        raise BadInput(f"{shown} is far longer than a list of segments; it is not read")
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        try:
            words = shlex.split(line, comments=True)
        except ValueError:
            words = [line, ""]
        words = words[1:] if words[:1] == ["--segment"] else words
        if len(words) > 1:
            raise BadInput(
                f"{shown}, line {number}: `{safe_text(line, 80)}` is no segment; write each on a line of its own, "
                'as in "climb=0:42:00-0:49:30"'
            )
        found += words
    return found


def _by_hand(text: str, start_utc_ns: int | None) -> WantedSegment:
    named, equals, times = text.rpartition("=")
    name, colon, kind = (part.strip() for part in named.rpartition(":"))
    if not colon:
        name, kind = named.strip(), "free"
    found = _RANGE.fullmatch(times.strip())
    shown = safe_text(text, 80)
    if not equals or not name or found is None:
        raise BadInput(f"`{shown}` is no segment; write {FORM}")
    if kind not in KINDS:
        raise BadInput(
            f"`{shown}`: what stands behind the last colon of a name is its kind, one of {', '.join(KINDS)}; where "
            f"the name has a colon of its own, write name:free={times.strip()}"
        )
    begin, end = found.groups()[:4], found.groups()[4:]
    if begin[3] != end[3]:
        raise BadInput(f"`{shown}`: give both times with a Z, or none")
    if (begin[0] is None) != (end[0] is None):
        raise BadInput(f"`{shown}`: give both times with hours, or none; 0:42:00 is 42 minutes, 0:42 is 42 seconds")
    start_s, stop_s = (_seconds(time, start_utc_ns, shown) for time in (begin, end))
    if stop_s <= start_s:
        raise BadInput(f"`{shown}`: the segment ends before it begins")
    return WantedSegment(safe_text(name, LONGEST_NAME), kind, round(start_s * 1e9), round(stop_s * 1e9))


def _seconds(time: Sequence[str | None], start_utc_ns: int | None, shown: str) -> float:
    hours, minutes, seconds, zone = time
    if float(seconds or 0) >= 60 or (hours is not None and int(minutes or 0) >= 60):
        raise BadInput(f"`{shown}`: a time has no more than 59 minutes and 59 seconds")
    told = int(hours or 0) * 3600 + int(minutes or 0) * 60 + float(seconds or 0)
    if not zone:
        return told
    if start_utc_ns is None:
        raise BadInput(f"`{shown}`: none of the files says what time of the day it was; count from the start")
    # A ride over midnight goes on the next day.
    return (told - start_utc_ns / 1e9 % DAY_S) % DAY_S


def checked_segments(
    segments: Iterable[WantedSegment], end_ns: int, start_utc_ns: int | None = None
) -> list[WantedSegment]:
    """In order of their start, cut to the ride where they reach beyond by a second or two.

    :raises BadInput: for one that lies outside.
    """
    found = []
    for segment in sorted(segments, key=lambda s: (s.start_ns, s.stop_ns)):
        start_ns, stop_ns = max(segment.start_ns, 0), min(segment.stop_ns, end_ns)
        if stop_ns <= start_ns or segment.stop_ns > end_ns + 5 * 10**9:
            raise BadInput(
                f"the segment {segment.words} lies outside the ride, which is {clock_text(end_ns)} long"
                + _by_the_day(start_utc_ns, end_ns)
            )
        found.append(replace(segment, start_ns=start_ns, stop_ns=stop_ns))
    if len(found) > MOST_SEGMENTS:
        raise BadInput(f"{len(found)} segments are more than one ride has; {MOST_SEGMENTS} can be given")
    return found


def _by_the_day(start_utc_ns: int | None, end_ns: int) -> str:
    if start_utc_ns is None:
        return ""
    first, last = (datetime.fromtimestamp(ns / 1e9, UTC) for ns in (start_utc_ns, start_utc_ns + end_ns))
    return f", from {first:%H:%M:%S}Z to {last:%H:%M:%S}Z"


def proposal_lines(proposals: Sequence[ProposedSegment], shift_ns: int) -> list[str]:
    """Each as an argument to paste; `shift_ns` is the start of the track on the recording's clock."""
    found = []
    for p in proposals:
        start, stop = (clock_text(shift_ns + round(s * 1e9)) for s in (p.start_s, p.stop_s))
        name = safe_text(p.name, LONGEST_NAME).replace('"', "'")
        found.append(f'--segment "{name}:{p.kind}={start}-{stop}"  # {safe_text(p.words, 120)}')
    return found


def clock_text(host_ns: int) -> str:
    """0:07:05, whole seconds."""
    seconds = round(host_ns / 1e9)
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
