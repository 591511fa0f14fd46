"""Sentences and short phrases that only the page needs, made from findings; no number is worked out here."""

from __future__ import annotations

import math
from collections.abc import Iterable

from analysis.adjustment import Adjustment, UnitError
from analysis.bench_file import Meter
from analysis.comparison import Comparison
from analysis.joined_ride import recorded_share
from analysis.judge import Judged
from analysis.lag import Lag
from analysis.mean_interval import MeanInterval
from analysis.paired_seconds import RideAgreement
from analysis.plain_text import counted
from analysis.recording_reader import Recording
from analysis.report_page.number_text import UNKNOWN, number, plus_minus
from analysis.response_time import ResponseTime
from analysis.ride_verdict import RideVerdict
from analysis.segments import Segment
from analysis.tolerance import Expectation, Tolerance
from analysis.words import untimed_sentences

LITTLE_COVERED_PCT = 90.0


def cannot_say(recording: Recording, judged: Judged) -> Iterable[str]:
    """What this recording does not carry, before anything is said from it."""
    heard = judged.ride.meters
    if not heard:
        yield "No sensor sent anything that could be understood: there is nothing to judge."
        return
    powered = [name for name, f in heard.items() if math.isfinite(f.mean_power_w)]
    silent = [m.name for m in recording.bench.meter if m.name not in powered]
    if silent:
        yield f"Nothing can be said of {', '.join(silent)}: no power was received."
    wanted = recording.bench.reference
    if judged.reference not in powered and wanted is not None and powered:
        yield f"Nothing is compared: the reference, {wanted.name}, sent no power. Choose another with --reference."
    elif len(powered) == 1:
        yield f"Only {powered[0]} sent power; a comparison needs two meters."
    if judged.reference in powered and not heard[str(judged.reference)].mean_power_w > 0:
        yield f"{judged.reference} read no power above zero, so no difference can be given in per cent."
    recorded = recorded_share(recording)
    for name in powered:
        fresh_pct = heard[name].coverage_pct / recorded
        if fresh_pct < LITTLE_COVERED_PCT:
            of = "the ride" if recorded == 1 else "the time recorded"
            yield f"{name} was fresh for {fresh_pct:.0f} % of {of} only; the rest is not compared."
    yield from untimed_sentences(recording.events, recording.samples)
    if len(judged.segments) == 1 and judged.segments[0].segment.segment_no == 0:
        yield "No segment was marked: the whole ride is taken as one."


def whose_word(unit: UnitError, adjustment: Adjustment) -> str:
    return ", ".join(f"{adjustment.unit(s.unit, s.epoch).name} {100 * s.share:.0f} %" for s in unit.measured_by)


def misfit_words(adjustment: Adjustment) -> str:
    if adjustment.degrees_of_freedom <= 0:
        return "Too few readings to see whether they go together."
    return (
        f"χ² {adjustment.chi2:.1f} at {adjustment.degrees_of_freedom} degrees of freedom, "
        f"Birge ratio {adjustment.birge_ratio:.2f}."
    )


def about_meter(meter: Meter | None) -> str:
    if meter is None:
        return ""
    claim = "no claim stated" if meter.claim_pct is None else f"claim ± {meter.claim_pct:g}\u202f%"
    return f"{meter.place}, {claim}"


def about_segment(segment: Segment) -> str:
    parts = [segment.step_kind] if segment.step_kind != segment.name else []
    if segment.posture != "seated":
        parts.append(segment.posture)
    if segment.target_w is not None:
        parts.append(f"target {segment.target_w:g}\u202fW")
    if segment.resistance is not None:
        parts.append(segment.resistance.words)
    if segment.settle_ns:
        parts.append(f"first {segment.settle_ns / 1e9:g}\u202fs left out")
    if segment.ended_by == "interrupted":
        parts.append("interrupted")
    return ", ".join(parts)


def difference_words(comparison: Comparison) -> str:
    if not math.isfinite(comparison.difference_pct.mean):
        return "not compared"
    return (
        f"{number(comparison.mean_difference_w, '+.1f', 'W')}\u2003{interval_words(comparison.difference_pct)}\u202f%"
    )


def interval_words(interval: MeanInterval) -> str:
    return plus_minus(interval.mean, math.inf if interval.too_short else interval.half_width)


def expected_words(expectation: Expectation) -> str:
    if expectation.ratio == 1:
        return "0"
    return plus_minus(100 * (expectation.ratio - 1), 2 * expectation.loss_sd_pct, ".1f")


def tolerance_words(tolerance: Tolerance | None) -> str:
    return "–" if tolerance is None else f"± {tolerance.pct:.2f}"


def lag_words(lag: Lag, taken_out_s: float | None, clock_holds_lag: bool = False) -> str:
    """That of the whole ride, and beside it the one that was adopted while riding."""
    whole_ride = plus_minus(lag.lag_s, lag.half_width_s) if lag.determined else f"not determined: {lag.why_not}"
    if clock_holds_lag and taken_out_s == 0:
        return f"{whole_ride} left, see Clocks"
    if taken_out_s is None or taken_out_s == lag.lag_s:
        return whole_ride
    return f"{whole_ride}; {number(taken_out_s, '+.2f')} adopted while riding"


def smoothing_words(response: ResponseTime) -> str:
    if not math.isfinite(response.smoothing_s):
        return UNKNOWN
    low, high = number(response.smoothing_low_s, ".2f"), number(response.smoothing_high_s, ".2f")
    return f"{response.smoothing_s:.2f} ({low} … {high})"


def slower_words(response: ResponseTime) -> str:
    return {
        "meter": "smooths more than the reference",
        "reference": "smooths less than the reference",
        "neither": "no difference to be seen",
        "unknown": "not determined",
    }[response.slower]


def kilojoules_words(joules: float) -> str:
    return number(joules / 1000, ".2f")


def agreement_words(agreement: RideAgreement, verdict: RideVerdict | None, outside: int) -> str:
    limits = agreement.limits_w
    if limits is None:
        return "Fewer than two seconds in common."
    words = f"Mean {limits.bias:+.1f} W; limits of agreement {limits.lower:+.1f} and {limits.upper:+.1f} W"
    words += f", {limits.n} seconds, of which {limits.n_eff:.0f} count as independent."
    if outside:
        words += f" {counted(outside, 'second lies', 'seconds lie')} beyond the axes."
    line = None if verdict is None else verdict.line
    if line is None:
        return words
    slope, level = f"{line.slope:.3f}", f"{abs(line.intercept):.1f}"
    if math.isfinite(line.slope_se):
        slope, level = f"({slope} ± {1.96 * line.slope_se:.3f})", f"({level} ± {1.96 * line.intercept_se:.1f})"
    sign = "−" if line.intercept < 0 else "+"
    return f"{words} Line: {slope} × {verdict.reference if verdict else ''} {sign} {level} W."


def drivetrain_words(recording: Recording) -> str:
    train = recording.bench.drivetrain
    named = f" of {train.id}" if train.id else ""
    drag = f", and a drag of {train.drag_nm:g} ± {2 * train.drag_sd_nm:g} N·m" if train.drag_nm else ""
    behind = [m.name for m in recording.bench.meter if m.behind_chain]
    who = f"Behind the chain: {', '.join(behind)}." if behind else "No meter sits behind the chain."
    details = "; ".join(w for w in (train.chain, train.lubrication) if w)
    loss = (
        f"The chain{named} is taken to lose {train.loss_pct:g} ± {2 * train.loss_sd_pct:g} % from crank to hub{drag}"
    )
    return f"{loss}; its doubt is in the tolerance of every comparison across it. {who} {details}".strip()


def sides_words(recording: Recording, judged: Judged) -> str:
    """What each meter's split is worth, said beside the figures."""
    return " ".join([_how_split(judged), *_whose_share(recording, judged)])


def _whose_share(recording: Recording, judged: Judged) -> Iterable[str]:
    """The standard lets a sensor send a share without saying of which side (flag bit 1 of the measurement)."""
    for name, figures in judged.ride.meters.items():
        stated = name in recording.samples and recording.samples[name].balance_reference == "left"
        if math.isfinite(figures.left_share_pct) and not stated:
            yield f"{name} does not say whose share it sends: here it is taken as that of the left side."


def _how_split(judged: Judged) -> str:
    by_split: dict[str, list[str]] = {}
    for name, figures in judged.ride.meters.items():
        by_split.setdefault(figures.split, []).append(name)
    phrases = {
        "measured": "measure both sides",
        "inferred": "infer the split from one measurement",
        "doubled": "measure one side and double it: no split can be had from them",
    }
    single = {
        "measured": "measures both sides",
        "inferred": "infers the split from one measurement",
        "doubled": "measures one side and doubles it: no split can be had from it",
    }
    told = [
        f"{' and '.join(names)} {(single if len(names) == 1 else phrases)[split]}"
        for split, names in by_split.items()
        if split in phrases
    ]
    return "; ".join(told) + "." if told else "The bench file does not say how the meters come by a split."
