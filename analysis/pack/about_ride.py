"""Objections about the ride: warming up, temperature, protocol, who decided when to stop, a load that was held."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from analysis.bench_file import Meter
from analysis.effects import DRIFT
from analysis.mean_interval import LEAST_FRESH_S, LEAST_RIDE_S
from analysis.pack.case import Case
from analysis.pack.ended_by import when_it_ended
from analysis.pack.objection import Finding, Objection, answered, listed, noted, objection, still_open, weakness
from analysis.report_page.number_text import counted, duration, number
from analysis.rows import Event
from analysis.segments import Segment
from analysis.verdict import LEAST_SEGMENTS, LEAST_SPRINTS

# Common practice, no published source.
WARM_S = 600.0


def about_ride(case: Case) -> Iterator[Objection]:
    yield objection(
        "warm-up",
        "The ride",
        "It was not warmed up.",
        f"Answered by one of two: {WARM_S / 60:g} minutes of recorded riding before the first judged second, or "
        "differences that changed over an hour by less than the tolerance, doubt included. A weakness with neither.",
        _warm_up(case),
    )
    yield objection(
        "temperature",
        "The ride",
        "It was too cold or too hot.",
        "Answered where a temperature was recorded and lies in the range that the meter's maker claims. Open where "
        "none was recorded or no range is in the bench file. A weakness outside the range.",
        _temperature(case),
    )
    yield objection(
        "protocol",
        "The ride",
        "The protocol is invalid: too short, or too few repeats.",
        f"Answered with {LEAST_SEGMENTS} segments or more, each with {LEAST_FRESH_S} seconds or more in common, "
        f"{LEAST_RIDE_S // 60} minutes or more of marked segments of any kind, which show slow wander, and every "
        "step of the plan ridden. A weakness for each of these that is missed. Sprints are judged "
        f"from {LEAST_SPRINTS} on, or not at all.",
        _protocol(case),
    )
    yield objection(
        "stopping",
        "The ride",
        "You stopped when you liked the result.",
        "Answered where the plan ended every judged segment; where it ended because the verdict was in: then the "
        "interval is one that allows for looking all the time; and where the files of other devices are judged "
        "whole. Open where the segments are laps of a device, or were marked in such files afterwards: a device "
        "shows no verdict, but who marks knows all. A weakness where a hand ended one in sight of the live "
        "verdict, or the recording broke off inside.",
        when_it_ended(case),
    )
    yield objection(
        "held-load",
        "The ride",
        "The trainer held the power by itself, so it showed its own target.",
        "Answered where no judged segment was ridden against a power that the trainer was told to hold. A weakness "
        "where one was. Open for files of other devices. What another device told the trainer is seen only in what "
        "the trainer reports.",
        _held(case),
    )


def _warm_up(case: Case) -> Iterator[Finding]:
    from_ns, _ = case.judged_ns
    power = [s.power_w for s in case.recording.samples.values() if len(s.power_w)]
    moving = [int(p.host_ns[p.values > 0][0]) for p in power if (p.values > 0).any()]
    if not moving:
        yield still_open("No power was recorded.")
        return
    ridden_s = max(from_ns - min(moving), 0) / 1e9
    says = f"{duration(round(ridden_s * 1e9))} of riding were recorded before the first judged second."
    steady, told, untold = True, list[str](), dict[str, list[str]]()
    for name, verdict in case.judged.verdicts.items():
        effect = next((e for e in case.judged.whole.effects[name].effects if e.name == DRIFT.name), None)
        if effect is None or effect.why_not or not math.isfinite(effect.half_width_pct):
            steady = False
            untold.setdefault(effect.why_not if effect else "not computed", []).append(name)
            continue
        steady = steady and abs(effect.change_pct) + effect.half_width_pct <= verdict.judgement.tolerance_pct
        change = f"{number(effect.change_pct, '+.1f')} ± {number(effect.half_width_pct, '.1f', '%')}"
        told.append(f"{name}: the difference changed by {change} an hour")
    if ridden_s >= WARM_S or (steady and told):
        yield answered(says)
    else:
        yield weakness(f"Only {says} That it did not matter is not shown.")
    if told:
        yield noted("; ".join(told) + ".")
    for why, names in untold.items():
        yield noted(f"{listed(names)}: how the difference changed with time is not known ({why}).")


def _temperature(case: Case) -> Iterator[Finding]:
    found = {n: s.temperature_c.values for n, s in case.recording.samples.items() if len(s.temperature_c)}
    if not found:
        yield still_open("No sensor recorded a temperature.")
        return
    every = np.concatenate(list(found.values()))
    low, high = float(np.min(every)), float(np.max(every))
    says = f"{listed(found)} recorded {number(low, '.1f')} to {number(high, '.1f', '°C')}."
    for meter in case.on_test:
        yield _in_range(meter, says, low, high)


def _in_range(meter: Meter, says: str, low: float, high: float) -> Finding:
    least, most = meter.temperature_min_c, meter.temperature_max_c
    if least is None and most is None:
        return still_open(f"{says} The bench file gives no range for {meter.name}.")
    claimed = f"{meter.name} is claimed for {_limit(least)} to {_limit(most)} °C."
    outside = (least is not None and low < least) or (most is not None and high > most)
    return weakness(f"{says} {claimed}") if outside else answered(f"{says} {claimed}")


def _limit(value: float | None) -> str:
    return "any" if value is None else number(value, "g")


def _protocol(case: Case) -> Iterator[Finding]:
    plan = (case.recording.metadata.plan or {}).get("plan", {}).get("name")
    if not case.judged.verdicts:
        yield still_open("Nothing was compared.")
        return
    segments = [r.segment for r in case.counted]
    ridden = f"by the plan “{plan}”" if plan else "without a plan"
    yield noted(
        f"Ridden {ridden}. {counted(len(segments), 'judged segment')}: "
        f"{'; '.join(f'{s.name}, {s.judged_s:.0f} s' for s in segments)}. "
        f"{_postures(case, segments)}{_ranges(case)}."
    )
    for name in case.judged.verdicts:
        compared = [r.comparisons[name] for r in case.counted if r.comparisons[name].seconds]
        seconds = [c.seconds for c in compared]
        told = sum(not c.away_pct.too_short for c in compared)
        says = (
            f"{name}: {counted(told, 'segment')} long enough, {sum(seconds)} s in common with {case.judged.reference}"
        )
        short = told < LEAST_SEGMENTS or told < len(compared)
        least = f"; the shortest {min(seconds, default=0)} s" if told < len(compared) else ""
        yield weakness(f"{says}{least}.") if short else answered(f"{says}.")
    if any(not v.slow_wander_seen for v in case.judged.verdicts.values()):
        yield weakness(
            f"Less than {LEAST_RIDE_S // 60} minutes of segments: slow wander is not seen, and the intervals may be "
            "too narrow."
        )
    skipped = case.events(Event.STEP_SKIPPED)
    if skipped:
        yield weakness(f"{counted(len(skipped), 'step')} of the plan skipped.")
    sprints = sum(r.segment.step_kind == "sprint" for r in case.judged.segments)
    if 0 < sprints < LEAST_SPRINTS:
        yield noted(
            f"{counted(sprints, 'sprint')}: {LEAST_SPRINTS} are needed to judge sprints, so none is judged. The "
            "verdicts rest on the other segments."
        )


def _postures(case: Case, segments: Sequence[Segment]) -> str:
    """Files of other devices tell none."""
    told = listed(dict.fromkeys(s.posture for s in segments))
    return "" if case.all_from_files else f"Ridden {told}, "


def _ranges(case: Case) -> str:
    name = str(case.judged.reference)
    figures = [r.meters[name] for r in case.counted if name in r.meters]
    watts = [f.mean_power_w for f in figures if math.isfinite(f.mean_power_w)]
    rpm = [f.mean_cadence_rpm for f in figures if math.isfinite(f.mean_cadence_rpm)]
    return " at ".join(_range(v, unit) for v, unit in ((watts, "W"), (rpm, "rpm")) if v) or "no power"


def _range(values: list[float], unit: str) -> str:
    low, high = f"{min(values):.0f}", f"{max(values):.0f}"
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _held(case: Case) -> Iterator[Finding]:
    set_loads = [r.segment for r in case.judged.segments if r.segment.resistance is not None]
    held = [r.segment for r in case.counted if r.segment.resistance is not None and r.segment.resistance.holds_power]
    trainers = [m for m in case.recording.bench.meter if m.place == "trainer"]
    if not trainers:
        yield answered("No trainer is on the bench.")
    elif case.all_from_files:
        yield still_open("The ride comes from files of other devices, which tell nothing of the load.")
    elif held:
        loads = dict.fromkeys(s.resistance.words for s in held if s.resistance is not None)
        yield weakness(f"In {listed(s.name for s in held)}: {listed(loads)}.")
    elif set_loads:
        loads = dict.fromkeys(s.resistance.words for s in set_loads if s.resistance is not None)
        yield answered(f"The load was set, but no judged segment held a power: {listed(loads)}.")
    else:
        yield answered(f"This recorder set no load on {listed(m.name for m in trainers)}.")
