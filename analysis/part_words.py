"""Which files a ride is made of and what was changed about them afterwards, as sentences; computes no figure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from analysis.amendments import Change, change_words
from analysis.joined_ride import Part, ride_amendments, ride_parts
from analysis.recording_reader import Recording
from analysis.report_page.number_text import clock, duration
from analysis.ride_verdict import RideVerdict
from analysis.words import verdict_sentence


def part_sentences(ride: Recording) -> list[str]:
    """One for each file with its place in the ride, its numbers, and the gap ahead of it; empty for a single file."""
    parts = ride_parts(ride)
    if len(parts) == 1:
        return []
    told = [f"{len(parts)} files are judged as one ride; times and numbers of segments run on through all of them."]
    told += [_place(part) for part in parts]
    told += [gap_sentence(before, after) for before, after in pairwise(parts)]
    return [*told, *_unlinked(parts)]


def gap_sentence(before: Part, after: Part) -> str:
    gap = duration(after.offset_ns - before.stop_ns)
    return f"Nothing was recorded for {gap}, by the computer's clock, between {before.name} and {after.name}."


def amended_sentences(ride: Recording, as_recorded: Mapping[str, RideVerdict] | None) -> list[str]:
    """What was changed after the ride and why, and the verdicts without it; empty where nothing was."""
    amended = ride_amendments(ride)
    if not amended or as_recorded is None:
        return []
    several = len(ride_parts(ride)) > 1
    changes = [_changed(change, part, several) for part, found in amended for change in found.changes]
    without = [f"As recorded, without amendments: {verdict_sentence(v)}" for v in as_recorded.values()]
    digests = [f"SHA-256 of the amendments{_in(part, several)}: {found.sha256}" for part, found in amended]
    return [*changes, *without, *digests]


def _place(part: Part) -> str:
    last = part.last_number
    own = f", which it numbers 1 to {last} itself" if part.numbers_before else ""
    first = part.numbers_before + 1
    numbers = f"segments {first} to {part.numbers_before + last}{own}" if last else "no segments"
    return f"{part.name}: from {clock(part.offset_ns)} to {clock(part.stop_ns)} of the ride, {numbers}."


def _unlinked(parts: tuple[Part, ...]) -> Iterator[str]:
    sessions = {part.recording.metadata.session_id for part in parts}
    for part in parts[1:]:
        if part.recording.metadata.continues not in sessions:
            yield f"{part.name} does not say that it goes on with the other; whoever put them together says so."


def _changed(change: Change, part: Part, several: bool) -> str:
    told = f"Amended{_in(part, several)} {change_words(change)}."
    number = change.segment_no
    if number is None or not part.numbers_before:
        return told
    return f"{told} Its segment {number} is segment {number + part.numbers_before} of the ride."


def _in(part: Part, several: bool) -> str:
    return f" in {part.name}" if several else ""
