"""The objections as plain text and as JSON, and the words that begin every form of them; computes nothing."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from textwrap import fill
from typing import Any

from analysis.pack.case import Case, streams
from analysis.pack.objection import CHAPTERS, MEANING, NOTED, WORDS, Objection, listed
from analysis.pack.objections import tally
from analysis.report_page.number_text import counted, duration, with_minus
from analysis.safe_text import safe_text
from analysis.words import verdict_sentence

WIDTH = 78
TITLE = "Objections, and what was recorded on them"
HOW_TO_READ = (
    "A maker, or anybody else, may object to a test of this kind. Below is what is usually said, and what this ride "
    "recorded on it. Each objection gets one word, by a rule that is the same for every ride and is given with it. "
    "The bench file is what the tester wrote down beforehand: which meter is mounted where, and what its maker "
    "claims. A judged segment is a stretch of the ride that the verdicts rest on."
)


def opening(case: Case) -> list[str]:
    """For somebody who was not there: who was compared with whom, when, and what came of it."""
    recording, judged = case.recording, case.judged
    anchors = recording.metadata.utc_anchors
    on = f"On {case.utc_words(0)[:10]} (UTC)" if anchors else "On a day that was not recorded"
    heard = [m for m in recording.bench.meter if any(s in recording.samples for s in streams(m))]
    meters = listed(f"{m.name} ({m.place})" for m in heard) or "nothing that could be heard"
    plural = "were" if len(heard) > 1 else "was"
    told = [
        f"{on}, {meters} {plural} ridden on one bicycle and recorded for {duration(recording.end_ns)}: "
        f"{recording.bench.bench.name}."
    ]
    if case.recording.metadata.clock == "virtual":
        told.append("It is a simulated ride: nobody rode, and no such meter exists.")
    if case.all_from_files:
        told.append("Each was recorded by a device of its own; their files were put together afterwards.")
    if judged.verdicts:
        told.append(f"{judged.reference} was the reference: the others are held against it.")
        told += [verdict_sentence(v) for v in judged.verdicts.values()]
    else:
        told.append("Nothing could be compared.")
    return [safe_text(sentence, 1000) for sentence in told]


def tally_words(objections: Sequence[Objection]) -> str:
    numbers = tally(objections)
    return (
        f"{counted(len(objections), 'objection')}: {numbers['answered']} answered, {numbers['open']} open, "
        + counted(numbers["weakness"], "weakness", "weaknesses")
    )


def objections_text(case: Case, objections: Sequence[Objection]) -> bytes:
    lines = [TITLE, "=" * len(TITLE), ""]
    for sentence in (*opening(case), HOW_TO_READ, f"{tally_words(objections)}."):
        lines += [fill(sentence, WIDTH), ""]
    lines += [fill(f"{word}: {MEANING[word]}.", WIDTH, subsequent_indent="  ") for word in WORDS]
    for chapter in CHAPTERS:
        lines += ["", "", chapter, "-" * len(chapter)]
        for objection in (o for o in objections if o.chapter == chapter):
            lines += ["", *_one(objection)]
    return (with_minus("\n".join(lines)) + "\n").encode()


def _one(objection: Objection) -> Iterator[str]:
    yield fill(f"“{objection.objects}”  {objection.word.upper()}", WIDTH)
    for finding in objection.worst_first:
        mark = "" if finding.word in (objection.word, NOTED) else f"({finding.word}) "
        yield fill(f"{mark}{finding.says}", WIDTH, initial_indent="  - ", subsequent_indent="    ")
    yield fill(f"Rule: {objection.rule}", WIDTH, initial_indent="  ", subsequent_indent="  ")


def objections_json(case: Case, objections: Sequence[Objection]) -> bytes:
    table: dict[str, Any] = {
        "opening": opening(case),
        "words": dict(MEANING),
        "tally": tally(objections),
        "objections": [
            {
                "key": o.key,
                "chapter": o.chapter,
                "objects": o.objects,
                "word": o.word,
                "findings": [{"word": f.word, "says": f.says} for f in o.worst_first],
                "rule": o.rule,
            }
            for o in objections
        ],
    }
    return (json.dumps(table, indent=1, ensure_ascii=False) + "\n").encode()
