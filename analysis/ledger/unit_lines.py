"""Sets a unit's history, a list of rides and a comparison as plain lines for a terminal; computes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from textwrap import wrap
from typing import Any

from analysis.ledger import ledger_words as words
from analysis.ledger.compare_rides import RideComparison
from analysis.ledger.unit_history import UnitHistory
from analysis.ledger.unit_rides import UnitRide
from analysis.plain_text import counted
from analysis.safe_text import safe_text

WIDTH = 80


def ride_lines(rides: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    """One line a ride: session, start, length, bench, and whether it was amended."""
    for ride in rides:
        minutes = f"{(ride['length_s'] or 0) / 60:6.0f} min"
        amended = ", amended" if ride["amendments"] else ""
        start = words.when_words(ride["start_utc_ns"])
        yield _plain(f"{ride['session'][:12]:<12}  {start:<16} {minutes}  {ride['bench']}{amended}")


def unit_lines(history: UnitHistory) -> Iterable[str]:
    facts = history.latest.facts
    names = [v for key in ("model", "serial") if (v := facts[key])]
    yield _plain(f"{history.unit}: {', '.join([facts['meter'], *names])}")
    yield f"{counted(len(history.rides), 'ride')}, {history.recorded_h:.1f} h recorded"
    places = dict.fromkeys(ride.place for ride in history.rides)
    for place in places:
        yield from ("", f"Rides, {place}")
        for ride in history.rides:
            if ride.place == place:
                yield from _ride(ride)
    sections = {
        "Amended after riding": [s for ride in history.rides for s in words.correction_sentences(ride)],
        "Firmware": [*map(words.epoch_sentence, history.epochs), *map(words.step_sentence, history.steps)],
        "Drift": list(map(words.drift_sentence, history.drifts)),
        "Battery": [words.battery_sentence(history.battery, facts["claimed_battery_h"])],
        "As a reference": [words.fitness_sentence(history.unit, history.fitness)],
        "Parts": list(map(words.part_words, facts["parts"] or [])),
        "Open questions": list(words.open_questions(history)),
    }
    for head, sentences in sections.items():
        if sentences:
            yield from ("", head)
            for sentence in sentences:
                yield from _wrapped(sentence)


def comparison_lines(found: RideComparison) -> Iterable[str]:
    for name, ride in (("before", found.ride_a), ("after", found.ride_b)):
        yield _plain(f"{name:<7} {ride['session'][:12]}  {words.when_words(ride['start_utc_ns'])}  {ride['bench']}")
    yield ""
    for pair in found.pairs:
        for sentence in (words.change_sentence(pair), *words.firmware_sentences(pair)):
            yield from _wrapped(sentence)
    for sentence in words.comparison_notes(found):
        yield from _wrapped(sentence)


def section_lines(sentences: Iterable[str]) -> Iterable[str]:
    """Wrapped; a head follows an empty line and stands as it is."""
    head = False
    for sentence in sentences:
        yield from [_plain(sentence)] if head or not sentence else _wrapped(sentence)
        head = not sentence


def _ride(ride: UnitRide) -> Iterable[str]:
    warmth = ride.facts["temperature_c"]
    told = [
        ride.firmware or "",
        "" if warmth is None else f"{warmth:.0f} °C",
        "" if ride.facts["clean"] else "recovered",
        "amended" if ride.facts["amendments"] else "",
    ]
    about = "".join(f", {word}" for word in told if word)
    yield _plain(
        f"  {words.when_words(ride.start_utc_ns)}, {ride.length_s / 60:.0f} min{about}; "
        f"zero: {words.zero_words(ride)}"
    )
    for pair in ride.pairs:
        yield _plain(f"      {words.pair_words(pair)}")
    if ride.facts["sprints_verdict"]:
        sprints = f"{ride.facts['sprints']} sprints"
        yield _plain(
            f"      {sprints} by work {ride.facts['sprints_away_pct']:+.1f} %: {ride.facts['sprints_verdict']}"
        )


def _wrapped(sentence: str) -> list[str]:
    return wrap(_plain(sentence), WIDTH, initial_indent="  ", subsequent_indent="    ")


def _plain(line: str) -> str:
    # What was read from a ledger may have been written by anybody.
    return safe_text(line, 600)
