"""Objections about the data: what was lost, the clocks, the lag, an interrupted recording, files of other devices."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from analysis.lag import Lag
from analysis.meter_figures import MeterFigures
from analysis.pack.case import Case, streams
from analysis.pack.files_behind import read_whole
from analysis.pack.objection import Finding, Objection, answered, listed, noted, objection, still_open, weakness
from analysis.report_page.number_text import counted, number, plus_minus
from analysis.rows import Event
from analysis.words import untimed_sentences

COVERED_PCT = 95.0
NOT_UNDERSTOOD_SHARE = 0.01
CLOCK_PPM = 200.0  # a quartz in a laptop keeps better time than that
SURE_S = 1.0
_COUNTED = {
    Event.LINK_LOST: ("lost link", None),
    Event.DUPLICATE_DROPPED: ("doubled packet dropped", "doubled packets dropped"),
    Event.NOT_UNDERSTOOD: ("packet not understood", "packets not understood"),
    Event.BURST: ("burst of held-up packets", "bursts of held-up packets"),
    Event.PAUSED: ("pause", None),
}


def about_data(case: Case) -> Iterator[Objection]:
    yield objection(
        "lost-data",
        "The ride",
        "Data were lost, and the gaps made the difference.",
        f"Answered where each meter was fresh for {COVERED_PCT:g} % or more of every judged segment; a second "
        "without fresh data is left out on both sides, never filled in. A weakness below that, and where more than 1 "
        "% of a meter's packets were not understood.",
        _lost(case),
    )
    yield objection(
        "clocks",
        "The ride",
        "The clocks were not together.",
        "Answered where one named clock stamped every arrival and kept within "
        f"{CLOCK_PPM:g} millionths of UTC, and where what came from another clock was aligned to within {SURE_S:g} "
        "s. Open where an alignment gives no doubt. A weakness otherwise. Seconds in which the recorder stood still "
        "are left out.",
        _clocks(case),
    )
    yield objection(
        "lag",
        "The judging",
        "One meter answers later than the other: you compared different moments.",
        "Answered where the lag was determined, or adopted while riding, and is taken out of every comparison. Open "
        "where it could not be determined: then none is taken out. A weakness where the lag adopted and that of the "
        "whole ride lie further apart than their doubts.",
        _lags(case),
    )
    yield objection(
        "interrupted",
        "The record",
        "The recording broke off and was patched up.",
        "Answered for a recording that was ended properly, for one finished afterwards without a lost or damaged "
        "record, and for whole files of other devices. A weakness where a record was lost or damaged, and where such "
        "a file is cut short or its checksum is wrong. Open where the recording does not say.",
        _interrupted(case),
    )


def _lost(case: Case) -> Iterator[Finding]:
    events = Counter((e.sensor, e.event) for e in case.recording.events if e.event in _COUNTED)
    for meter in case.on_test:
        figures = [r.meters[meter.name] for r in case.counted if meter.name in r.meters]
        if not figures:
            yield weakness(f"{meter.name} sent nothing in the judged segments.")
            continue
        least = min(f.coverage_pct for f in figures)
        seen = [
            counted(n, *words)
            for event, words in _COUNTED.items()
            if (n := sum(events[s, event] for s in streams(meter)))
        ]
        says = f"{meter.name}: {_coverage(figures, least)}"
        says += f"; over the whole ride {listed(seen)}." if seen else "."
        rows = sum(sum(case.rows.kinds.get(s, {}).values()) for s in streams(meter))
        garbled = sum(events[s, Event.NOT_UNDERSTOOD] for s in streams(meter)) > NOT_UNDERSTOOD_SHARE * rows
        yield weakness(says) if least < COVERED_PCT or garbled else answered(says)
    for sentence in untimed_sentences(case.recording.events, case.recording.samples):
        yield noted(sentence)


def _coverage(figures: list[MeterFigures], least: float) -> str:
    gaps = sum(f.gaps for f in figures)
    # Rounded down: a second that is missing is missing.
    share = number(math.floor(10 * least) / 10, ".1f", "%")
    fresh = (
        f"fresh for {share} or more of each judged segment"
        if least < 100
        else "fresh all through the judged segments"
    )
    if not gaps:
        return f"{fresh}, no gap"
    longest = max(f.longest_gap_s for f in figures)
    return f"{fresh}, {counted(gaps, 'gap')}, the longest {number(longest, '.1f', 's')}"


def _clocks(case: Case) -> Iterator[Finding]:
    metadata = case.recording.metadata
    own = [s for s, kinds in case.rows.kinds.items() if "imported" not in kinds and "relayed" not in kinds]
    if own:
        yield _host_clock(case, listed(own))
    for stream, known in metadata.sensors.items():
        if isinstance(alignment := known.get("alignment"), Mapping):
            yield _aligned(stream, alignment)
    yield from _relayed(case)


def _host_clock(case: Case, names: str) -> Finding:
    metadata = case.recording.metadata
    says = f"{names}: every arrival was stamped by one clock of one computer ({metadata.clock})"
    if metadata.clock == "virtual":
        return answered(f"{names}: every arrival was stamped by one clock, that of the simulation.")
    anchors = metadata.utc_anchors
    if len(anchors) < 2 or anchors[-1][0] <= anchors[0][0]:
        return still_open(f"{says}; it was not held against UTC.")
    (first_host, first_utc), (last_host, last_utc) = anchors[0], anchors[-1]
    ppm = 1e6 * ((last_utc - first_utc) / (last_host - first_host) - 1)
    steps = max(abs((u2 - u1) - (h2 - h1)) for (h1, u1), (h2, u2) in pairwise(anchors)) / 1e9
    told = (
        f"{says}; against UTC it ran {number(ppm, '+.1f')} millionths off over {len(anchors)} looks, the largest "
        f"step between two of them {number(steps, '.3f', 's')}."
    )
    return answered(told) if abs(ppm) <= CLOCK_PPM else weakness(f"{told} The date is in doubt, not the order.")


def _aligned(stream: str, alignment: Mapping[str, Any]) -> Finding:
    method, offset_s = alignment.get("method"), alignment.get("offset_s")
    half_width_s, drift = alignment.get("offset_half_width_s"), alignment.get("drift_ppm")
    if method == "reference":
        return answered(f"{stream}: from a file of another device, whose clock the others are put on.")
    offset = number(offset_s, "+.2f", "s") if isinstance(offset_s, int | float) else "an offset not told"
    if method == "stated":
        return still_open(f"{stream}: from a file with its own clock, moved by {offset} as the tester stated.")
    known = isinstance(half_width_s, int | float)
    if isinstance(half_width_s, int | float) and isinstance(offset_s, int | float):
        offset = plus_minus(offset_s, half_width_s, unit="s")
    says = (
        f"{stream}: from a file with its own clock, put on {alignment.get('reference')}'s by what both recorded: "
        f"{offset}, {_drifted(drift, alignment.get('drift_half_width_ppm'))}. That is clock and lag together."
    )
    if not known:
        return still_open(says)
    return answered(says) if float(half_width_s or 0.0) <= SURE_S else weakness(says)


def _drifted(drift: Any, half_width: Any) -> str:
    if not isinstance(drift, int | float):
        return "no drift proven"
    width = float(half_width) if isinstance(half_width, int | float) else math.nan
    return f"drift {plus_minus(drift, width, '.1f')} millionths"


def _relayed(case: Case) -> Iterator[Finding]:
    names = [s for s, kinds in case.rows.kinds.items() if "relayed" in kinds]
    if not names:
        return
    widths: dict[str, list[float]] = {}
    for e in case.events(Event.RELAY_CLOCK):
        if isinstance(width := e.detail.get("half_width_ns"), int | float) and math.isfinite(width):
            widths.setdefault(str(e.detail.get("relay")), []).append(float(width) / 1e9)
    if not widths:
        yield still_open(f"{listed(names)}: came through a relay; how its clock lies is not recorded.")
    for relay, told in widths.items():
        says = (
            f"{listed(names)}: came through the relay {relay}, whose clock was known to ± "
            f"{number(max(told), '.3f', 's')} at the worst of {counted(len(told), 'look')}."
        )
        yield answered(says) if max(told) <= SURE_S else weakness(says)


def _lags(case: Case) -> Iterator[Finding]:
    if not case.judged.verdicts:
        yield still_open("Nothing was compared.")
    for name in case.judged.verdicts:
        lag, taken_s = case.judged.lags.get(name), case.judged.setup.lags_s.get(name)
        if lag is None or (taken_s is None and not lag.determined):
            why = "" if lag is None else f": {lag.why_not}"
            yield still_open(f"{name}: its lag behind {case.judged.reference} was not determined{why}.")
            continue
        says = _lag_says(case, name, lag, taken_s)
        adopted = [e for e in case.events(Event.LAG_ADOPTED) if e.detail.get("meter") == name]
        doubt = next((d for e in adopted if isinstance(d := e.detail.get("half_width_s"), int | float)), 0.0)
        apart = lag.determined and taken_s is not None and abs(lag.lag_s - taken_s) > lag.half_width_s + doubt
        yield weakness(says) if apart else answered(says)


def _lag_says(case: Case, name: str, lag: Lag, taken_s: float | None) -> str:
    reference = case.judged.reference
    held = plus_minus(lag.lag_s, lag.half_width_s, unit="s")
    meter = case.meter(name)
    if (
        taken_s == 0
        and meter is not None
        and any(s in case.sources and case.sources[s].aligned for s in streams(meter))
    ):
        left = held if lag.determined else f"not determined ({lag.why_not})"
        return (
            f"{name}: its lag behind {reference} was taken out with the offset of its clock; what is left is {left}."
        )
    if not lag.determined:
        return (
            f"{name}: its lag behind {reference} over the whole ride was not determined ({lag.why_not}); "
            f"{number(taken_s, '+.2f', 's')}, adopted while riding, is taken out."
        )
    says = f"{name} trails {reference} by {held}"
    if taken_s in (None, lag.lag_s):
        return f"{says}, and that is taken out."
    return f"{says} over the whole ride; {number(taken_s, '+.2f', 's')}, adopted while riding, is taken out."


def _interrupted(case: Case) -> Iterator[Finding]:
    yield from read_whole(case)
    if case.all_from_files:
        return
    finish = case.recording.metadata.finish
    if finish is None:
        yield still_open("The file does not say how the recording ended.")
    elif finish.clean:
        yield answered(f"The recording was ended properly, by: {finish.reason}.")
    else:
        silent = listed(f"{name} {seconds:.1f} s" for name, seconds in finish.lost_s.items())
        says = (
            f"The recording was broken off ({finish.reason}) and finished afterwards from its journal: "
            f"{counted(finish.missing_records, 'record')} lost, {counted(finish.damaged_records, 'damaged place')}; "
            f"silent before the end: {silent or 'not told'}."
        )
        yield weakness(says) if finish.missing_records or finish.damaged_records else answered(says)
    if case.recording.metadata.continues:
        yield noted(
            f"It goes on from session {case.recording.metadata.continues}, which is a recording of its own and not "
            "in this pack."
        )
