"""Objections about the zero offset: whether it was done, and how far it moved over the ride."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from analysis.bench_file import Meter
from analysis.pack.case import Case, claim_pct, streams, when
from analysis.pack.objection import Finding, Objection, answered, objection, still_open, weakness
from analysis.report_page.number_text import number
from analysis.rows import Event

FRESH_MIN = 60
_BY_PLACE = {
    "hub": "Its maker asks for a wheel that stands still without load on the chain.",
    "trainer": "Its maker may ask for a spin-down, which no radio tells.",
}


@dataclass(frozen=True)
class ZeroReading:
    """One answer to a zero offset; `raw` is in `unit`. Without a wall clock those before the ride count as at 0."""

    host_ns: int
    outcome: str
    says: str
    raw: int | None = None
    unit: str | None = None
    offset_nm: float | None = None

    @property
    def done(self) -> bool:
        return self.outcome == "done"

    @property
    def value(self) -> str:
        if self.raw is None:
            return "no value given"
        nm = "" if self.offset_nm is None else f", {number(self.offset_nm, '+.2f', 'N·m')}"
        return f"raw {self.raw} in {self.unit}{nm}"


def about_zero(case: Case) -> Iterator[Objection]:
    yield objection(
        "zero",
        "The meters",
        "You did not zero it.",
        f"Answered where the meter itself confirmed a zero offset in the {FRESH_MIN} minutes before the first judged "
        "second. Open where it was longer ago, where the meter offers none by radio, where it is said to zero by "
        "itself, and for a file of another device, which does not tell. A weakness where it was not asked, did not "
        "do it, or did it only later.",
        (f for m in case.on_test for s in streams(m) for f in _zeroed(case, m, s)),
    )
    yield objection(
        "zero-drift",
        "The meters",
        "The zero drifted away during the ride.",
        "Answered where a second zero offset after the first shows a change that, at the cadence ridden, makes no "
        "more watts than the meter's own claim. A weakness where it makes more. Open without a second one, or where "
        "its value has no known lever. Watts are 2π · cadence / 60 · change of torque.",
        (f for m in case.on_test for s in streams(m) for f in _drifted(case, m, s)),
    )


def zero_readings(case: Case, stream: str) -> list[ZeroReading]:
    """Of the check before the ride, and of the ride, in order of time."""
    found = [r for e in case.events(Event.READY, stream) if (r := _checked(case, e.detail)) is not None]
    for e in case.events(Event.ZERO_ANSWERED, stream):
        found.append(_reading(e.host_ns, str(e.detail.get("result")), e.detail, e.detail))
    return sorted(found, key=lambda r: r.host_ns)


def _checked(case: Case, detail: Mapping[str, Any]) -> ZeroReading | None:
    zero = detail.get("zero")
    if not isinstance(zero, Mapping):
        return None
    value = zero.get("value")
    given: Mapping[str, Any] = value if isinstance(value, Mapping) else {}
    at_utc_ns = given.get("utc_ns") or detail.get("checked_utc_ns")
    at_ns = case.host_ns(at_utc_ns) if isinstance(at_utc_ns, int) else None
    return _reading(at_ns or 0, str(zero.get("outcome")), zero, given)


def _reading(host_ns: int, outcome: str, told: Mapping[str, Any], value: Mapping[str, Any]) -> ZeroReading:
    raw, unit, nm = value.get("raw"), value.get("unit"), value.get("offset_nm")
    return ZeroReading(
        host_ns,
        outcome,
        str(told.get("words") or outcome),
        raw if isinstance(raw, int) else None,
        unit if isinstance(unit, str) else None,
        float(nm) if isinstance(nm, int | float) else None,
    )


def _zeroed(case: Case, meter: Meter, stream: str) -> Iterator[Finding]:
    from_ns, _ = case.judged_ns
    readings = zero_readings(case, stream)
    before = [r for r in readings if r.done and r.host_ns <= from_ns]
    later = [r for r in readings if r.done and r.host_ns > from_ns]
    asked = case.events(Event.ZERO_ASKED, stream)
    if before:
        last = before[-1]
        says = (
            f"{stream} confirmed a zero offset {when(last.host_ns)} ({case.utc_words(last.host_ns)}): {last.value}."
        )
        fresh = (from_ns - last.host_ns) / 60e9 <= FRESH_MIN
        yield answered(says) if fresh else still_open(f"{says} That is more than {FRESH_MIN} minutes ahead.")
    elif later:
        yield weakness(f"{stream} was zeroed only {when(later[0].host_ns)}, after the first judged second.")
    elif any(r.outcome == "unsupported" for r in readings):
        yield still_open(f"{stream} offers no zero offset by radio. {_BY_PLACE.get(meter.place, '')}".rstrip())
    elif readings:
        yield weakness(f"{stream} was asked {when(readings[-1].host_ns)} and did not do it: {readings[-1].says}.")
    elif asked:
        yield weakness(f"{stream} was asked {when(asked[-1].host_ns)} and did not answer.")
    elif case.from_file(stream):
        yield still_open(
            f"{stream} comes from a file of another device, which does not say whether this meter was zeroed."
        )
    elif meter.auto_zero == "yes":
        yield still_open(
            f"{stream} was not asked: the bench file says that it zeroes by itself. No value was recorded."
        )
    else:
        yield weakness(f"{stream} was not asked for a zero offset, as far as is recorded.")


def _drifted(case: Case, meter: Meter, stream: str) -> Iterator[Finding]:
    from_ns, _ = case.judged_ns
    readings = [r for r in zero_readings(case, stream) if r.done and r.raw is not None]
    earlier = [r for r in readings if r.host_ns <= from_ns][-1:]
    pairs = [(a, b) for a, b in pairwise(earlier + [r for r in readings if r.host_ns > from_ns]) if a.unit == b.unit]
    if not pairs:
        if case.from_file(stream):
            yield still_open(
                f"{stream} comes from a file of another device, which tells no zero offset before or after."
            )
            return
        once = f" The one before gave {earlier[0].value}." if earlier else ""
        yield still_open(f"{stream} was not zeroed a second time, so its drift is not known.{once}")
        return
    before, after = max(pairs, key=lambda pair: abs((pair[1].raw or 0) - (pair[0].raw or 0)))
    says = f"{stream} gave {before.value} {when(before.host_ns)}, and {after.value} {when(after.host_ns)}"
    cadence_rpm, mean_w = case.mean_of(meter.name, "mean_cadence_rpm"), case.mean_of(meter.name, "mean_power_w")
    if before.offset_nm is None or after.offset_nm is None:
        yield still_open(
            f"{says}. That is a force, and its lever is the meter's own: what it makes in watts is not known."
        )
    elif not math.isfinite(cadence_rpm) or not mean_w > 0:
        yield still_open(f"{says}. No cadence was recorded, so what it makes in watts is not known.")
    else:
        change_nm = after.offset_nm - before.offset_nm
        change_w = 2 * math.pi * cadence_rpm / 60 * change_nm
        allowed_w = claim_pct(meter) / 100 * mean_w
        told = (
            f"{says}: a change of {number(change_nm, '+.2f', 'N·m')}, which makes {number(change_w, '+.1f', 'W')} at "
            f"{number(cadence_rpm, '.0f', 'rpm')}. Its claim is ± {number(allowed_w, '.1f', 'W')} at "
            f"{number(mean_w, '.0f', 'W')}."
        )
        yield answered(told) if abs(change_w) <= allowed_w else weakness(told)
