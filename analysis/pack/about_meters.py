"""Objections about the meters themselves: firmware, identity, mounting, crank length, battery, one side doubled."""

from __future__ import annotations

import math
from collections.abc import Iterator

from analysis.bench_file import Meter
from analysis.pack.case import Case, streams, when
from analysis.pack.objection import Finding, Objection, answered, listed, objection, still_open, weakness
from analysis.report_page.number_text import number
from analysis.rows import Event

LOW_BATTERY_PCT = 20.0
SAME_CRANK_MM = 0.4  # sensors give it in steps of 0.5 mm
_LEVER_COUNTS = ("pedals", "crank")


def about_meters(case: Case) -> Iterator[Objection]:
    yield objection(
        "firmware",
        "The meters",
        "The firmware was old.",
        "Answered where the meter itself told the firmware that the bench file expects, each time it was linked. "
        "Open where it told none, or where the bench file expects none in particular. A weakness where it told "
        "another, or where it changed during the ride.",
        (f for m in case.on_test for s in streams(m) for f in _firmware(case, m, s)),
    )
    yield objection(
        "unit",
        "The meters",
        "It was not our product, or not this unit.",
        "Answered where the meter itself told a serial number that does not contradict the bench file. Open where it "
        "told none. A weakness where it told another one than the bench file.",
        (f for m in case.on_test for s in streams(m) for f in _unit(case, m, s)),
    )
    yield objection(
        "mounting",
        "The meters",
        "It was mounted wrongly, or not bedded in.",
        "Answered where the bench file gives the torque of every part and the day of mounting, and the check before "
        "the ride did not ask for bedding in. Open where one of these was not written down. A weakness where the "
        "check asked for bedding in. Torque is what the tester wrote down: no sensor can tell it.",
        (f for m in case.on_test for f in _mounting(case, m)),
    )
    yield objection(
        "crank-length",
        "The meters",
        "The crank length was set wrongly.",
        f"Answered where meter and bench file give the same length to within {SAME_CRANK_MM} mm, and where the "
        "length does not enter. Open where one of the two is not known. A weakness where they differ: power follows "
        "the length in proportion.",
        (f for m in case.on_test for s in streams(m) for f in _crank_length(case, m, s)),
    )
    yield objection(
        "battery",
        "The meters",
        "The battery was low.",
        f"Answered where the lowest level told is {LOW_BATTERY_PCT:g} % or more, a weakness below that, open where "
        "the meter tells no level.",
        (f for m in case.on_test for s in streams(m) for f in _battery(case, s)),
    )
    yield objection(
        "one-sided",
        "The meters",
        "It measures one side only: the rider's balance was blamed on the meter.",
        "Answered where no meter doubles one side, or where what doubling explains, by the share that another meter "
        "measured on this ride, lies within the tolerance. A weakness where it explains more. Open where nobody "
        "measured the share.",
        _one_sided(case),
    )


def _firmware(case: Case, meter: Meter, stream: str) -> Iterator[Finding]:
    told = [(at, str(d["firmware_revision"]), d) for at, d in case.said(stream) if d.get("firmware_revision")]
    if not told:
        file = f"The file that {stream}'s ride comes from does not tell the meter's firmware."
        yield still_open(file if case.from_file(stream) else f"{stream} did not tell its firmware.")
        return
    at, first, detail = told[0]
    versions = list(dict.fromkeys(version for _, version, _ in told))
    hardware = f", hardware {detail['hardware_revision']}" if detail.get("hardware_revision") else ""
    read = "as the recording names it, without a time" if at is None else f"{when(at)} ({case.utc_words(at)})"
    again = f", and the same each time of {len(told)} that it was linked" if len(told) > 1 else ""
    says = f"{stream} told firmware {first}{hardware}, {read}"
    if len(versions) > 1:
        yield weakness(f"{says}, then {listed(versions[1:])} in the same ride.")
    elif meter.expected_firmware is None:
        yield still_open(
            f"{says}{again}. The bench file names no version to expect, so whether it was old is not said."
        )
    elif first == meter.expected_firmware:
        yield answered(f"{says}{again}. That is the version the bench file expects.")
    else:
        yield weakness(f"{says}{again}. The bench file expects {meter.expected_firmware}.")


def _unit(case: Case, meter: Meter, stream: str) -> Iterator[Finding]:
    said = case.said(stream)
    serials = list(dict.fromkeys(str(d["serial"]) for _, d in said if d.get("serial")))
    wanted = meter.serial or (meter.match.serial if meter.match else None)
    about = next((d for _, d in said), {})
    maker = " ".join(str(about[k]) for k in ("manufacturer", "model") if about.get(k))
    says = f"The file of {stream}" if case.from_file(stream) else stream
    calls = "calls its meter" if case.from_file(stream) else "calls itself"
    called = f"{says} {calls} {maker}" if maker else f"{says} names no maker"
    if not serials:
        yield still_open(f"{called}, and tells no serial number.")
    elif len(serials) > 1 or (wanted is not None and serials[0] != wanted):
        expects = f"; the bench file says {wanted}" if wanted is not None else ""
        yield weakness(f"{called}, and told serial {listed(serials)}{expects}.")
    else:
        expects = ", as in the bench file" if wanted is not None else "; the bench file names none"
        yield answered(f"{called}, serial {serials[0]}{expects}.")


def _mounting(case: Case, meter: Meter) -> Iterator[Finding]:
    if meter.behind_chain and meter.place == "trainer":
        yield answered(f"{meter.name} is a trainer: the bicycle is mounted on it, and nothing of it has to bed in.")
        return
    asked = [
        f
        for stream in streams(meter)
        for e in case.events(Event.READY, stream)
        for f in e.detail.get("findings") or ()
        if isinstance(f, dict) and f.get("what") == "newly_mounted"
    ]
    torques = [f"{p.name} {p.tightening_nm:g} N·m" for p in meter.parts if p.tightening_nm is not None]
    written = f"tightened as written in the bench file: {listed(torques)}" if torques else "no torque written down"
    since = f"mounted on {meter.mounted}" if meter.mounted is not None else "day of mounting not written down"
    says = f"{meter.name}: {since}; {written}."
    if asked:
        yield weakness(f"{says} The check before the ride said: {asked[0].get('words')}.")
    elif meter.mounted is None or not torques or len(torques) < len(meter.parts):
        yield still_open(says)
    else:
        yield answered(says)


def _crank_length(case: Case, meter: Meter, stream: str) -> Iterator[Finding]:
    if meter.place not in _LEVER_COUNTS:
        yield answered(f"{stream} sits at the {meter.place}: the length of the crank does not enter.")
        return
    told = [d["crank_length_mm"] for _, d in case.said(stream) if isinstance(d.get("crank_length_mm"), int | float)]
    wanted = meter.crank_length_mm
    if not told or wanted is None:
        silent = "comes from a file, which does not tell the length the meter is set to"
        silent = silent if case.from_file(stream) else "did not tell the length it is set to"
        in_meter = f"told {told[0]:g} mm" if told else silent
        in_bench = "the bench file gives none" if wanted is None else f"the bench file says {wanted:g} mm"
        yield still_open(f"{stream} {in_meter}; {in_bench}.")
        return
    wrong = next((mm for mm in told if abs(mm - wanted) > SAME_CRANK_MM), None)
    if wrong is None:
        yield answered(f"{stream} told that it is set to {told[0]:g} mm, as in the bench file.")
    else:
        off = number(100 * (wrong / wanted - 1), "+.2f", "%")
        yield weakness(
            f"{stream} told that it is set to {wrong:g} mm; the bench file says {wanted:g} mm. "
            f"That alone makes {off} of power."
        )


def _battery(case: Case, stream: str) -> Iterator[Finding]:
    samples = case.recording.samples.get(stream)
    levels = [] if samples is None else [float(v) for v in samples.battery_pct.values]
    levels += [float(v) for _, d in case.said(stream) if isinstance(v := d.get("battery_pct"), int | float)]
    if not levels:
        file = f"The file that {stream}'s ride comes from tells no level of the meter's battery."
        yield still_open(
            file if case.from_file(stream) else f"{stream} told no level of a battery; it may have none."
        )
        return
    series = levels[: 0 if samples is None else len(samples.battery_pct)]
    over = f"{series[0]:.0f} % first and {series[-1]:.0f} % last" if series else f"{levels[0]:.0f} % when linked"
    low = min(levels)
    says = f"{stream} told {over}, {low:.0f} % at the lowest."
    yield answered(says) if low >= LOW_BATTERY_PCT else weakness(says)


def _one_sided(case: Case) -> Iterator[Finding]:
    doubled = [m for m in case.on_test if m.sides in ("left", "right")]
    if not doubled:
        yield answered("No meter on test measures one side and doubles it.")
    for meter in doubled:
        verdict = case.judged.verdicts.get(meter.name)
        if verdict is None:
            yield weakness(
                f"{meter.name} measures the {meter.sides} side and doubles it, and it is the reference of this test."
            )
        elif math.isnan(verdict.doubling_pct):
            yield still_open(
                f"{meter.name} measures the {meter.sides} side and doubles it; no other meter measured the share."
            )
        else:
            says = (
                f"{meter.name} measures the {meter.sides} side and doubles it. By the share that another meter "
                f"measured on this ride, that explains {number(verdict.doubling_pct, '+.1f', '%')}; the tolerance is "
                f"± {number(verdict.judgement.tolerance_pct, '.2f', '%')}"
            )
            within = abs(verdict.doubling_pct) <= verdict.judgement.tolerance_pct
            yield answered(f"{says}.") if within else weakness(f"{says}, and the verdict does not take it out.")
