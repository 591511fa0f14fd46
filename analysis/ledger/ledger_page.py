"""The ledger as one HTML page in the look of the report: units over time, the network, firmware epochs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from analysis.ledger import ledger_words as words
from analysis.ledger.ledger_figures import network_svg, time_svg
from analysis.ledger.ledger_snapshot import Snapshot
from analysis.ledger.page_frame import Key, partner_keys, rendered
from analysis.ledger.unit_history import UnitHistory, unit_history
from analysis.ledger.unit_rides import known_units
from analysis.plain_text import counted
from analysis.report_page.number_text import UNKNOWN

MOST_UNITS = 40


@dataclass(frozen=True)
class ShownUnit:
    history: UnitHistory
    about: str
    places: str
    recorded: str
    firmware: str
    fitness: str
    svg: Markup
    keys: tuple[Key, ...]
    sentences: tuple[str, ...]
    questions: tuple[str, ...]


@dataclass(frozen=True)
class ShownEpoch:
    unit: str
    firmware: str
    first: str
    last: str
    rides: int
    against: str


@dataclass(frozen=True)
class Part:
    head: str
    sentences: tuple[str, ...]


def ledger_page(snapshot: Snapshot, network_sentences: Iterable[str] = ()) -> str:
    """`network_sentences`: those of the adjustment of all rides, in sections."""
    histories = [unit_history(snapshot, unit) for unit in known_units(snapshot)]
    shown = sorted(histories, key=lambda h: -len(h.rides))[:MOST_UNITS]
    return rendered(
        "ledger.html",
        lead=_lead(histories),
        left_out=_left_out(len(histories)),
        units=[_unit(h) for h in sorted(shown, key=lambda h: h.unit)],
        network_svg=network_svg(_together(shown)),
        network_words=_parts(network_sentences),
        epochs=[e for h in sorted(shown, key=lambda h: h.unit) for e in _epochs(h)],
    )


def _unit(history: UnitHistory) -> ShownUnit:
    facts = history.latest.facts
    partners = sorted({p.partner for p in history.pairs})
    sentences = [
        *map(words.step_sentence, history.steps),
        *map(words.drift_sentence, history.drifts),
        words.battery_sentence(history.battery, facts["claimed_battery_h"]),
        *(f"Part: {words.part_words(part)}." for part in facts["parts"] or []),
        *(sentence for ride in history.rides for sentence in words.correction_sentences(ride)),
    ]
    return ShownUnit(
        history=history,
        about=", ".join(str(v) for key in ("model", "serial") if (v := facts[key])),
        places=", ".join(dict.fromkeys(ride.place for ride in history.rides)),
        recorded=f"{history.recorded_h:.1f} h",
        firmware=history.epochs[-1].firmware or UNKNOWN,
        fitness=words.fitness_sentence(history.unit, history.fitness),
        svg=time_svg(history, partners),
        keys=partner_keys(partners),
        sentences=tuple(sentences),
        questions=tuple(words.open_questions(history)),
    )


def _epochs(history: UnitHistory) -> Iterable[ShownEpoch]:
    for epoch in history.epochs:
        against = [f"{words.estimate_words(e)} from {name}" for name, e in epoch.against.items()]
        yield ShownEpoch(
            unit=history.unit,
            firmware=epoch.firmware or UNKNOWN,
            first=words.date_words(epoch.first_utc_ns),
            last=words.date_words(epoch.last_utc_ns),
            rides=epoch.rides,
            against="; ".join(against) or "compared with nothing",
        )


def _together(histories: Sequence[UnitHistory]) -> Counter[tuple[str, str]]:
    """Rides in which two units were compared, each pair once."""
    shown = {h.unit for h in histories}
    return Counter((h.unit, p.partner) for h in histories for p in h.pairs if h.unit < p.partner in shown)


def _parts(sentences: Iterable[str]) -> list[Part]:
    """A head follows an empty line."""
    parts: list[tuple[str, list[str]]] = [("", [])]
    head = False
    for sentence in sentences:
        if head:
            parts.append((sentence, []))
        elif sentence:
            parts[-1][1].append(sentence)
        head = not sentence
    return [Part(name, tuple(told)) for name, told in parts if told]


def _lead(histories: Sequence[UnitHistory]) -> str:
    rides = {ride.session: ride.start_utc_ns for h in histories for ride in h.rides}
    dated = [start for start in rides.values() if start is not None]
    span = f" · {words.date_words(min(dated))} to {words.date_words(max(dated))}" if dated else ""
    return f"{counted(len(histories), 'unit')} · {counted(len(rides), 'ride')}{span}"


def _left_out(units: int) -> str:
    return f"Shown are the {MOST_UNITS} of {units} units with the most rides." if units > MOST_UNITS else ""
