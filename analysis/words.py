"""Findings as sentences, the same in table, page and screen; every number in them was computed elsewhere."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from analysis.lag import Lag
from analysis.response_time import ResponseTime
from analysis.ride_verdict import RideVerdict
from analysis.rows import Row
from analysis.samples import SensorSamples
from analysis.sprints import HELD
from analysis.untimed import Span, burst_spans, host_spans, joined
from analysis.whole_ride import WholeRide


def untimed_sentences(events: Sequence[Row], samples: Mapping[str, SensorSamples]) -> list[str]:
    """What had to be left out because nobody knows when it was measured; empty for a ride without troubles."""
    found = []
    still_s = _length_s(host_spans(events))
    if still_s:
        found.append(
            f"{still_s:.1f} s are left out of every comparison: the recorder stood still or the computer slept, "
            "so what came in meanwhile is dated late."
        )
    relay_s = _length_s(host_spans(events, relayed=True))
    if relay_s:
        found.append(f"{relay_s:.1f} s are left out of what relays forwarded: a relay stood still or slept.")
    for name, sensor in samples.items():
        held_s = _length_s(burst_spans(sensor, events))
        if held_s:
            found.append(f"{name}: {held_s:.1f} s are left out: the radio held packets up and let them go together.")
    return found


def _length_s(spans: Sequence[Span]) -> float:
    return float(np.diff(joined(spans)).sum()) / 1e9


def verdict_sentence(verdict: RideVerdict) -> str:
    """What is said of a meter in public, with the numbers it follows from."""
    judgement = verdict.judgement
    if math.isnan(verdict.difference_pct):
        why = f"{verdict.reference} reads nothing above 0 W" if verdict.counted else "no seconds in common"
        return f"{verdict.meter} cannot be compared with {verdict.reference}: {why}: undecided."
    parts = [f"{verdict.meter} reads {_beside(verdict.difference_pct)} {verdict.reference}"]
    known = math.isfinite(judgement.half_width_pct)
    away = f"{judgement.away_pct:+.2f} ± {judgement.half_width_pct:.2f} %"
    if verdict.expected_pct:
        limit = 2 * verdict.expected_sd_pct
        parts.append(f"the chain explains {verdict.expected_pct:+.1f} ± {limit:.1f} %")
        parts += [f"{away} remain"] if known else []
    elif known:
        parts[0] += f" ({away})"
    parts.append(f"tolerance ± {judgement.tolerance_pct:.2f} %")
    return "; ".join(parts) + f": {judgement.word}{_why(verdict)}." + _doubling(verdict)


def _doubling(verdict: RideVerdict) -> str:
    """A one-sided meter may be right about its side and yet read off: the rider's balance is in it."""
    if math.isnan(verdict.doubling_pct):
        return ""
    return f" Doubling one side explains {verdict.doubling_pct:+.1f} % with the left share measured here."


def tolerance_sentence(verdict: RideVerdict) -> str:
    """Where the tolerance comes from."""
    if verdict.tolerance is None:
        return "No tolerance: the reference reads nothing."
    source = (
        "the smallest difference that counts in watts"
        if verdict.tolerance.pct > verdict.tolerance.claims_pct
        else "both claims"
    )
    chain = ", with the doubt of the chain's loss" if verdict.expected_sd_pct else ""
    assumed = " (a claim is assumed: the bench file states none)" if verdict.claim_assumed else ""
    return f"Tolerance ± {verdict.tolerance.pct:.2f} % from {source}{chain}{assumed}."


MEANS_SENTENCE = (
    "Means are over each meter's own time; differences are over the seconds in which both were fresh and the rider "
    "pedalled, after lag, so they need not be the difference of the means."
)


def ride_sentence(meter: str, lag: Lag | None, whole: WholeRide) -> str:
    """Lag, response and sprints of one meter, for those who look further than the verdict."""
    parts = []
    if lag is not None:
        parts.append(
            f"lag {lag.lag_s:+.2f} ± {lag.half_width_s:.2f} s" if lag.determined else f"lag unknown: {lag.why_not}"
        )
    response = whole.responses.get(meter)
    if response is not None and not response.why_not:
        parts.append(_response_words(response))
    if whole.sprints is not None and (sprints := whole.sprints.judgements.get(meter)) is not None and sprints.repeats:
        more = f" ({sprints.reason})" if sprints.reason else ""
        parts.append(f"{sprints.repeats} sprints by work {sprints.away_pct:+.1f} %: {sprints.word}{more}")
    held = [s for s in whole.sprints.sprints if s.held_by(meter)] if whole.sprints is not None else []
    if held:
        parts.append(f"not compared in {', '.join(s.name for s in held)}: {HELD}")
    return f"{meter}: " + "; ".join(parts) + "."


def _response_words(response: ResponseTime) -> str:
    if response.slower == "neither":
        return "answers as fast as the reference"
    seconds = abs(response.slower_by_s)
    return f"smooths {seconds:.1f} s {'more' if response.slower == 'meter' else 'less'} than the reference"


def comparisons_sentence(verdicts: Collection[RideVerdict]) -> str:
    """How much to make of several verdicts at once, and of a short ride."""
    count = len(verdicts)
    if count <= 1:
        words = "One meter was compared; a good one is called different in at most 2.5 % of rides."
    else:
        words = (
            f"{count} meters were compared, each by itself: a good one is called different in at most 2.5 % of "
            f"rides, so any one of {count} in at most {2.5 * count:g} %."
        )
    if any(not verdict.slow_wander_seen for verdict in verdicts):
        words += " Less than eight minutes of segments: slow wander is not seen, and the intervals may be too narrow."
    return words


def _beside(difference_pct: float) -> str:
    if abs(difference_pct) < 0.05:
        return "the same as"
    return f"{abs(difference_pct):.1f} % {'above' if difference_pct > 0 else 'below'}"


def _why(verdict: RideVerdict) -> str:
    judgement = verdict.judgement
    if judgement.word != "undecided":
        return f" ({judgement.repeats} segments)"
    if judgement.reason:
        return f" ({judgement.reason})"
    if judgement.more_repeats is None:
        return " (at the edge: more of the same would not decide)"
    return f" (about {judgement.more_repeats} more segments like these would decide)"
