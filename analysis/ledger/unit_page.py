"""One unit on one page to publish from: intake, standing against each partner, every ride by place, what is open."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from analysis.ledger import ledger_words as words
from analysis.ledger.ledger_figures import time_svg
from analysis.ledger.page_frame import Key, partner_keys, rendered
from analysis.ledger.unit_history import Standing, UnitHistory, standings
from analysis.ledger.unit_rides import UnitRide
from analysis.plain_text import counted
from analysis.report_page.number_text import UNKNOWN


@dataclass(frozen=True)
class ShownRide:
    when: str
    minutes: str
    firmware: str
    zero: str
    warmth: str
    pairs: tuple[str, ...]
    sprints: str
    amended: bool


@dataclass(frozen=True)
class ShownPlace:
    place: str
    rides: tuple[ShownRide, ...]


def unit_page(history: UnitHistory) -> str:
    """The whole file; fetches and runs nothing."""
    facts = history.latest.facts
    partners = sorted({p.partner for p in history.pairs})
    keys: tuple[Key, ...] = partner_keys(partners)
    svg: Markup = time_svg(history, partners)
    return rendered(
        "unit.html",
        title=history.unit,
        lead=_lead(history),
        standings=[(s, standing_sentence(history.unit, s)) for s in standings(history)],
        intake=list(_intake(facts, history)),
        parts=[words.part_words(part) for part in facts["parts"] or []],
        totals=_totals(facts["parts"] or []),
        keys=keys,
        svg=svg,
        firmware=[*map(words.epoch_sentence, history.epochs), *map(words.step_sentence, history.steps)],
        over_time=[
            *map(words.drift_sentence, history.drifts),
            words.battery_sentence(history.battery, facts["claimed_battery_h"]),
            words.fitness_sentence(history.unit, history.fitness),
        ],
        places=_places(history.rides),
        amended=[sentence for ride in history.rides for sentence in words.correction_sentences(ride)],
        questions=list(words.open_questions(history)),
    )


def standing_sentence(unit: str, standing: Standing) -> str:
    """With the present firmware."""
    estimate = standing.mean_pct
    limit = "unknown" if math.isnan(standing.tolerance_pct) else f"± {standing.tolerance_pct:.2f} %"
    rides = counted(estimate.rides, "ride")
    return (
        f"{unit} against {standing.partner}: {words.estimate_words(estimate)}, tolerance {limit}, {rides}: "
        f"{standing.word}."
    )


def _lead(history: UnitHistory) -> str:
    facts, rides = history.latest.facts, history.rides
    named = [str(v) for key in ("model", "serial") if (v := facts[key])]
    span = f"{words.date_words(rides[0].start_utc_ns)} to {words.date_words(rides[-1].start_utc_ns)}"
    return " · ".join([*named, counted(len(rides), "ride"), f"{history.recorded_h:.1f} h recorded", span])


def _intake(facts: Mapping[str, Any], history: UnitHistory) -> Iterable[tuple[str, str]]:
    claim = facts["claim_pct"]
    yield "Place", ", ".join(dict.fromkeys(ride.place for ride in history.rides))
    yield "Claim", "none stated" if claim is None else f"± {claim:g} %"
    yield "Firmware", history.epochs[-1].firmware or UNKNOWN
    if facts["expected_firmware"]:
        yield "Firmware expected", facts["expected_firmware"]
    if facts["mounted"]:
        yield "Mounted", facts["mounted"]


def _totals(parts: Sequence[Mapping[str, Any]]) -> str:
    """Mass and price over all parts that tell theirs; prices of one currency only."""
    masses = [part["mass_g"] for part in parts if part["mass_g"] is not None]
    prices = [(part["price"], part["currency"]) for part in parts if part["price"] is not None]
    told = [f"{sum(masses):g} g"] if masses else []
    if prices and len({currency for _, currency in prices}) == 1:
        told.append(f"{sum(price for price, _ in prices):g} {prices[0][1] or ''}".strip())
    return f"Together {', '.join(told)}." if told and len(parts) > 1 else ""


def _places(rides: Sequence[UnitRide]) -> list[ShownPlace]:
    places = dict.fromkeys(ride.place for ride in rides)
    return [ShownPlace(place, tuple(_ride(r) for r in rides if r.place == place)) for place in places]


def _ride(ride: UnitRide) -> ShownRide:
    warmth, sprints = ride.facts["temperature_c"], ride.facts["sprints"]
    return ShownRide(
        when=words.when_words(ride.start_utc_ns),
        minutes=f"{ride.length_s / 60:.0f} min",
        firmware=ride.firmware or UNKNOWN,
        zero=words.zero_words(ride),
        warmth=UNKNOWN if warmth is None else f"{warmth:.0f} °C",
        pairs=tuple(words.pair_words(p) for p in ride.pairs),
        sprints=f"{sprints} by work {ride.facts['sprints_away_pct']:+.1f} %: {ride.facts['sprints_verdict']}"
        if sprints
        else UNKNOWN,
        amended=bool(ride.facts["amendments"]),
    )
