"""What a person changed about the segments after a ride: beside the recording, with reason and time, never in it."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta

from analysis.errors import BadInput
from analysis.plan_file import Posture, StepKind
from analysis.safe_text import safe_path, safe_text
from analysis.segments import Segment
from analysis.toml_file import TomlTable, convert_table, read_toml

Reason = Annotated[str, Meta(min_length=3, max_length=400)]
Seconds = Annotated[float, Meta(ge=0, le=100_000)]


class BadAmendment(BadInput):
    """An amendment file with unknown, missing or contradictory keys."""


class Change(TomlTable, frozen=True, kw_only=True):
    """`start_s` and `stop_s` count from the start of the recording; a new segment takes the next number."""

    utc: datetime.datetime
    reason: Reason
    do: Literal["exclude", "trim", "rename", "add"]
    segment_no: Annotated[int, Meta(ge=0)] | None = None
    name: Annotated[str, Meta(min_length=1, max_length=48)] | None = None
    start_s: Seconds | None = None
    stop_s: Seconds | None = None
    step_kind: StepKind = "free"
    posture: Posture = "seated"


class _AmendFile(TomlTable, frozen=True, kw_only=True):
    change: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Amendments:
    """All changes of a ride in the order they were written, with digest and name of the file that holds them."""

    changes: tuple[Change, ...]
    sha256: str
    file_name: str = "the amendments"


def amend_path(recording: Path) -> Path:
    return recording.with_suffix(".amend.toml")


def read_amendments(recording: Path) -> Amendments | None:
    """None where the ride has none.

    :raises BadAmendment: one sentence with file, place and remedy.
    """
    path = amend_path(recording)
    if not path.exists():
        return None
    table, text = read_toml(path, BadAmendment)
    file = convert_table(table, _AmendFile, str(path), text, BadAmendment)
    for number, change in enumerate(file.change, 1):
        if (problem := _problem(change)) is not None:
            raise BadAmendment(f"{safe_path(path)}: change {number}: {problem}")
    return Amendments(file.change, hashlib.sha256(text.encode()).hexdigest(), path.name)


def amended(segments: Sequence[Segment], amendments: Amendments, end_ns: int) -> tuple[Segment, ...]:
    """The segments as the person wants them judged.

    :raises BadAmendment: for a change of a segment that is not there, or a time outside the ride.
    """
    now = {segment.segment_no: segment for segment in segments}
    highest = max(now, default=0)
    for number, change in enumerate(amendments.changes, 1):
        where = f"{safe_text(amendments.file_name, 200)}: change {number}"
        if change.do != "add" and change.segment_no not in now:
            known = ", ".join(str(n) for n in sorted(now)) or "none"
            raise BadAmendment(f"{where}: there is no segment {change.segment_no}; there are {known}.")
        start_ns, stop_ns = (None if s is None else round(s * 1e9) for s in (change.start_s, change.stop_s))
        if stop_ns is not None and stop_ns > end_ns:
            raise BadAmendment(
                f"{where}: {change.stop_s:g} s lies behind the end of the ride at {end_ns / 1e9:.0f} s."
            )
        if change.do == "exclude":
            del now[change.segment_no or 0]
        elif change.do == "add":
            highest += 1  # never a number that was taken away: a later change would mean the other segment
            now[highest] = Segment(
                highest,
                change.name or f"segment {highest}",
                start_ns or 0,
                stop_ns or 0,
                step_kind=change.step_kind,
                posture=change.posture,
                ended_by="amended",
            )
        else:
            old = now[change.segment_no or 0]
            new = replace(
                old,
                name=change.name or old.name,
                start_ns=old.start_ns if start_ns is None else start_ns,
                stop_ns=old.stop_ns if stop_ns is None else stop_ns,
            )
            if new.stop_ns <= new.start_ns:
                raise BadAmendment(f"{where}: nothing of segment {old.segment_no} would be left.")
            now[old.segment_no] = new
    return tuple(sorted(now.values(), key=lambda s: (s.start_ns, s.segment_no)))


def change_words(change: Change) -> str:
    """One change as a sentence, with its reason and when it was written."""
    parts = {"name": change.name, "from s": change.start_s, "to s": change.stop_s}
    what = ", ".join(f"{name} {value}" for name, value in parts.items() if value is not None)
    which = "a segment" if change.do == "add" else f"segment {change.segment_no}"
    detail = f" ({safe_text(what, 120)})" if what else ""
    return f"{change.utc:%Y-%m-%d %H:%M} UTC: {change.do} {which}{detail}, because: {safe_text(change.reason, 400)}"


def _problem(change: Change) -> str | None:
    add, start_s, stop_s = change.do == "add", change.start_s, change.stop_s
    no_stretch = start_s is None or stop_s is None or stop_s <= start_s
    checks = (
        (change.utc.utcoffset() != datetime.timedelta(0), "`utc` must be given in UTC, as 2026-11-25T16:00:00Z."),
        (add and change.segment_no is not None, "a new segment takes the next number; leave `segment_no` out."),
        (add and no_stretch, "a new segment needs `start_s` and a later `stop_s`."),
        (not add and change.segment_no is None, f"to {change.do} a segment, say which: `segment_no`."),
        (change.do == "rename" and change.name is None, "to rename a segment, give its new `name`."),
        (change.do == "trim" and (start_s, stop_s) == (None, None), "to trim a segment, give `start_s` or `stop_s`."),
    )
    return next((words for wrong, words in checks if wrong), None)
