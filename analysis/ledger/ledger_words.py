"""Findings of a ledger as sentences and lines, the same in terminal and page; every number was computed elsewhere."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from analysis.ledger.battery_life import BatteryLife
from analysis.ledger.compare_rides import PairChange, RideComparison
from analysis.ledger.ride_scatter import Estimate
from analysis.ledger.unit_history import Drift, Epoch, FirmwareStep, Fitness, UnitHistory, by_partner
from analysis.ledger.unit_rides import PairRide, UnitRide
from analysis.plain_text import counted
from analysis.report_page.number_text import utc

NOT_TOLD = "not told"
_WEAK_FROM_PCT = 20.0


def date_words(utc_ns: int | None) -> str:
    return NOT_TOLD if utc_ns is None else utc(utc_ns)[:10]


def when_words(utc_ns: int | None) -> str:
    return NOT_TOLD if utc_ns is None else utc(utc_ns)[:16]


def estimate_words(estimate: Estimate, form: str = ".2f") -> str:
    if not math.isfinite(estimate.value):
        return NOT_TOLD
    width = f" ± {estimate.half_width:{form}}" if estimate.known else ""
    return f"{estimate.value:+{form}}{width} %"


def pair_words(pair: PairRide) -> str:
    if not math.isfinite(pair.away_pct):
        return f"nothing to compare with {pair.partner}"
    half = f" ± {pair.half_width_pct:.2f}" if math.isfinite(pair.half_width_pct) else ""
    return f"{pair.away_pct:+.2f}{half} % from {pair.partner}: {pair.word}"


def correction_sentences(ride: UnitRide) -> Iterable[str]:
    """What was changed about a ride afterwards and why, and what was said without it; none where nothing was."""
    when = when_words(ride.start_utc_ns)
    for change in ride.facts["amendments"] or []:
        yield f"Ride of {when}, amended {change}."
    for pair in ride.pairs if ride.facts["amendments"] else ():
        if pair.as_recorded_word is not None:
            recorded = replace(
                pair,
                away_pct=pair.as_recorded_pct,
                half_width_pct=pair.as_recorded_half_width_pct,
                word=pair.as_recorded_word,
            )
            yield f"Ride of {when}, as recorded: {pair_words(recorded)}; with the amendments: {pair_words(pair)}."


def zero_words(ride: UnitRide) -> str:
    """Every answer to a zero offset in the ride."""
    told = [_zero(z) for z in ride.facts["zero_offsets"] or []]
    return "; ".join(told) or "none recorded"


def _zero(answer: Mapping[str, Any]) -> str:
    if answer["result"] != "done":
        return answer["result"] or "no result"
    if answer["offset_nm"] is not None:
        return f"{answer['offset_nm']:.2f} N·m"
    return "done" if answer["raw"] is None else f"raw {answer['raw']:g} {answer['unit'] or ''}".strip()


def epoch_sentence(epoch: Epoch) -> str:
    name = epoch.firmware or "firmware not told"
    span = f"{date_words(epoch.first_utc_ns)} to {date_words(epoch.last_utc_ns)}"
    against = "; ".join(f"{estimate_words(e)} from {name}" for name, e in epoch.against.items())
    return f"{name}: {counted(epoch.rides, 'ride')}, {span}; {against or 'compared with nothing'}."


def step_sentence(step: FirmwareStep) -> str:
    change = step.change_pct
    words = f"after {step.after}: {estimate_words(change, '.1f')} against {step.partner}"
    words += f" ({counted(change.rides, 'ride')})"
    if not change.known:
        return f"{words}; an interval needs two rides on either side."
    return f"{words}." if change.nonzero else f"{words}: no change shown."


def drift_sentence(drift: Drift) -> str:
    if drift.why_not:
        return f"Drift against {drift.partner} is not known: {drift.why_not}."
    shown = "" if drift.per_month_pct.nonzero else ": no drift shown"
    words = estimate_words(drift.per_month_pct)
    rides = counted(drift.per_month_pct.rides, "ride")
    return f"Against {drift.partner}: {words} per month over {drift.months:.1f} months, {rides}{shown}."


def battery_sentence(battery: BatteryLife, claimed_h: float | None) -> str:
    claim = "" if claimed_h is None else f"; claimed {claimed_h:g} h"
    if battery.why_not:
        return f"Battery life is not known: {battery.why_not}{claim}."
    return (
        f"A battery lasts {battery.hours:.0f} h of recording (95 %: {battery.low_h:.0f} to {battery.high_h:.0f} h), "
        f"from {battery.drop_pct:.0f} % in {battery.over_h:.1f} h{claim}. "
        "Use without recording makes it look shorter."
    )


def fitness_sentence(unit: str, fitness: Fitness) -> str:
    found = fitness.precision
    if found is None:
        return f"{unit} is not shown to be fit to be the reference: {fitness.why_not}."
    assumed = ", assumed" if fitness.claim_assumed else ""
    figures = f"repeatability {found.repeatability_sd:.2f} %" if math.isfinite(found.repeatability_sd) else ""
    if math.isfinite(found.reproducibility_sd):
        figures += f", from session to session {found.reproducibility_sd:.2f} %"
    basis = f"{counted(found.sessions, 'session')} with {fitness.partner}, claim ± {fitness.claim_pct:g} %{assumed}"
    about = f" ({figures}, {basis})" if figures else f" ({basis})"
    if fitness.fit:
        return f"{unit} is fit to be the reference: {figures}, {basis}."
    more = (
        f"; about {counted(fitness.more_sessions, 'more ride')} like these would show it"
        if fitness.more_sessions
        else ""
    )
    return f"{unit} is not shown to be fit to be the reference: {fitness.why_not}{about}{more}."


def open_questions(history: UnitHistory) -> Iterable[str]:
    """What the rides so far leave open."""
    rides, latest = history.rides, history.latest
    yield from _identity_questions(rides)
    expected = latest.facts["expected_firmware"]
    if expected and latest.firmware and expected != latest.firmware:
        yield f"The bench file expects firmware {expected}; the unit told {latest.firmware} last."
    if all(ride.firmware is None for ride in rides):
        yield "Its firmware was never told, so a change of it would not be seen."
    unzeroed = [r for r in rides if not any(z["result"] == "done" for z in r.facts["zero_offsets"] or [])]
    if unzeroed:
        yield f"No zero offset that was done is recorded in {len(unzeroed)} of {counted(len(rides), 'ride')}."
    if latest.facts["claim_pct"] is None:
        yield "The bench file states no claim."
    last = latest.facts["battery_last_pct"]
    if last is not None and last < _WEAK_FROM_PCT:
        yield f"The battery stood at {last:.0f} % at the end of the latest ride."
    if not history.pairs:
        yield "It was never compared with another unit of the ledger."
    yield from _verdict_questions(history)
    yield from _amended_questions(rides)


def _amended_questions(rides: Sequence[UnitRide]) -> Iterable[str]:
    for ride in rides:
        for pair in ride.pairs:
            before = pair.as_recorded_word
            if before is not None and before != pair.word:
                when = when_words(ride.start_utc_ns)
                yield f"Against {pair.partner} the ride of {when} says {pair.word} as amended; as recorded, {before}."


def _identity_questions(rides: Sequence[UnitRide]) -> Iterable[str]:
    for what in ("serial", "model"):
        told = list(dict.fromkeys(value for r in rides if (value := r.facts[what])))
        if len(told) > 1:
            yield f"Its {what} changed: {', then '.join(told)}. Are these the same unit?"


def _verdict_questions(history: UnitHistory) -> Iterable[str]:
    for partner, pairs in by_partner(history.rides).items():
        words = Counter(p.word for p in pairs)
        if len(words) > 1:
            told = ", ".join(f"{count} × {word}" for word, count in words.most_common())
            yield f"The rides with {partner} do not say the same: {told}."
        elif words["differs"]:
            yield f"It differs from {partner} in every ride; which of the two is off takes a third unit."
        elif words["undecided"]:
            more = pairs[-1].more_segments
            needed = f"; about {counted(more, 'more segment')} in a ride would decide" if more else ""
            yield f"Against {partner} nothing is decided yet{needed}."


def change_sentence(change: PairChange) -> str:
    words = (
        f"{change.unit} against {change.partner}: {change.before.away_pct:+.2f} % before, "
        f"{change.after.away_pct:+.2f} % after; change {change.change_pct.value:+.2f}"
    )
    half = change.half_width_pct
    words += f" ± {half:.2f} %" if math.isfinite(half) else " %, without an interval"
    if math.isfinite(half):
        words += ": changed" if change.changed else ": no change shown"
    basis = f"{change.common_steps} common steps" if change.common_steps >= 3 else "whole rides"
    if math.isfinite(change.with_sessions_pct):
        return f"{words} ({basis}; what differs between sessions counted in, from {change.sessions} other rides)."
    return f"{words} ({basis}; what differs from session to session is not known and may add to it)."


def firmware_sentences(change: PairChange) -> Iterable[str]:
    sides = (
        (change.unit, change.before.firmware, change.after.firmware),
        (change.partner, change.before.partner_firmware, change.after.partner_firmware),
    )
    for name, before, after in sides:
        if before != after:
            yield f"{name}: firmware {before or NOT_TOLD} before, {after or NOT_TOLD} after."


def comparison_notes(found: RideComparison) -> Iterable[str]:
    a, b = found.ride_a, found.ride_b
    if a["drivetrain"] != b["drivetrain"]:
        yield "The rides have different drivetrains; what the chain explains was taken out with each one's own loss."
    if (a["start_utc_ns"] or 0) > (b["start_utc_ns"] or 0):
        yield "The first ride is the later one: before and after are as given, not in order of time."
    for name, ride in (("before", a), ("after", b)):
        if ride["amendments"]:
            changes = counted(len(ride["amendments"]), "amendment")
            yield f"The ride {name} was judged with {changes}; `wattproof ledger show UNIT` tells them."
    if found.left_out:
        yield f"In one of the rides only: {', '.join(found.left_out)}."
    if not found.pairs:
        yield "No pair of units was compared in both rides."


def part_words(part: Mapping[str, Any]) -> str:
    mass = [] if part["mass_g"] is None else [f"{part['mass_g']:g} g"]
    if part["mass_g"] is not None and part["claimed_mass_g"] is not None:
        mass[0] += f" (claimed {part['claimed_mass_g']:g} g)"
    price = [] if part["price"] is None else [f"{part['price']:g} {part['currency'] or ''}".strip()]
    return ", ".join([part["name"] or "part", *mass, *price])
