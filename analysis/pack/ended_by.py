"""Who ended each judged segment: the plan, a verdict, a hand; or somebody afterwards, who knew the whole ride."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from analysis.pack.case import Case
from analysis.pack.objection import Finding, answered, noted, still_open, weakness
from analysis.report_page.number_text import plus_minus
from analysis.segments import Segment

MOST_NAMED = 8
_ENDED = {
    "plan": "ended by the plan",
    "decided": "ended when the verdict was in, with the interval that allows for looking",
    "amended": "marked after the ride, see the amendments",
    "lap": "laps of the device that recorded the reference",
    "files": "nothing was picked, all of the files is judged",
    "marked": "marked after the ride by whoever put the files together",
    "hand": "ended by hand",
    "stop": "ended by the end of the recording",
    "interrupted": "broken off with the recording",
}


def when_it_ended(case: Case) -> Iterator[Finding]:
    by_end: dict[str, list[str]] = {}
    for result in case.counted:
        by_end.setdefault(_ended(case, result.segment), []).append(result.segment.name)
    for ended_by, names in by_end.items():
        says = f"{_few(names, len(case.counted))}: {_ENDED.get(ended_by, 'not marked: the whole ride')}."
        if ended_by in ("plan", "decided", "amended", "files"):
            yield answered(says)
        else:
            yield still_open(says) if ended_by in ("lap", "marked") else weakness(says)
    if "marked" in by_end or "lap" in by_end:
        yield from _not_picked(case)


def _few(names: Sequence[str], of: int) -> str:
    if len(names) <= MOST_NAMED:
        return "; ".join(names)
    return f"All {of} judged segments" if len(names) == of else f"{len(names)} of {of} judged segments"


def _ended(case: Case, segment: Segment) -> str:
    """In files of other devices no hand ended anything in sight of a verdict."""
    if case.all_from_files and segment.ended_by in (None, "hand"):
        return "files" if segment.ended_by is None else "marked"
    return str(segment.ended_by)


def _not_picked(case: Case) -> Iterator[Finding]:
    """What all seconds of the ride say, beside those that were picked."""
    for name, verdict in case.judged.verdicts.items():
        whole = case.judged.ride.comparisons.get(name)
        if whole is None or not math.isfinite(whole.away_pct.mean):
            continue
        told = plus_minus(whole.away_pct.mean, whole.away_pct.half_width, unit="%")
        judged = verdict.judgement
        picked = plus_minus(judged.away_pct, judged.half_width_pct, unit="%")
        yield noted(
            f"{name}: {told} over the whole ride, {whole.seconds} s in common, sprints and all; {picked} over the "
            "judged segments."
        )
