"""Objections about the judging: reference, claims and chain, number of comparisons, corrections, software."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.amendments import change_words
from analysis.mean_interval import student_t
from analysis.pack.case import Case, claim_pct
from analysis.pack.files_behind import files_here
from analysis.pack.objection import Finding, Objection, answered, listed, noted, objection, still_open, weakness
from analysis.pack.terms import LedgerStanding
from analysis.report_page.number_text import counted, number
from analysis.ride_verdict import RideVerdict
from analysis.verdict import Word, decide
from analysis.words import comparisons_sentence, tolerance_sentence


def about_judging(case: Case) -> Iterator[Objection]:
    yield objection(
        "reference",
        "The judging",
        "Your reference is wrong, not our meter.",
        "Answered where a ledger says that the reference repeats well enough for its claim, and this ride does not "
        "name it as the one that is off. Open without a ledger. A weakness where the ledger says that it is not fit, "
        "where this ride names it, or where its claim is not known.",
        _reference(case),
    )
    yield objection(
        "tolerance",
        "The judging",
        "You allowed too little: the chain takes its share, and claims add up.",
        "Answered where every verdict stays the same with a chain loss one standard deviation smaller or larger, and "
        "with claims and doubts added up in full. A weakness where one of these changes a verdict, or where a claim "
        "had to be assumed.",
        _tolerance(case),
    )
    yield objection(
        "comparisons",
        "The judging",
        "You compared so many that one had to look bad.",
        "Answered for one comparison, and where every verdict stays the same with intervals widened so that all "
        "together err no more often than one (Bonferroni). A weakness where one does not.",
        _comparisons(case),
    )
    yield objection(
        "amendments",
        "The judging",
        "You corrected the ride afterwards.",
        "Answered where nothing was amended, and where every verdict is the same with and without. A weakness where "
        "an amendment changes a verdict.",
        _amendments(case),
    )
    yield objection(
        "software",
        "The record",
        "Your software is wrong.",
        "Answered where each packet is kept as it came and decoding all of them again gives every stored value. Then "
        "anybody can compute all figures anew, with this program or another. Open where the ride comes from files of "
        "other devices that are not in the pack: nobody can then read them with another program. A weakness where a "
        "stored value differs.",
        _software(case),
    )
    yield objection(
        "made-up",
        "The record",
        "The numbers were made up, or the good rides were left out.",
        "Always open: no file can prove that a ride took place, or that no other was ridden. A weakness for a "
        "simulated ride.",
        _made_up(case),
    )


def _reference(case: Case) -> Iterator[Finding]:
    name = case.judged.reference
    meter = case.meter(name)
    if name is None:
        yield still_open("There was no reference, so nothing was compared.")
        return
    claim = "states no claim" if meter is None or meter.claim_pct is None else f"claims ± {meter.claim_pct:g} %"
    chosen = "asked for when packing" if case.terms.reference_asked else "named by the bench file"
    says = f"{name} is the reference, {chosen}; it {claim}."
    yield weakness(says) if meter is None or meter.claim_pct is None else answered(says)
    yield _standing(case, name)
    adjustment = case.judged.adjustment
    units = [] if adjustment is None else [u for u in adjustment.units if u.name == name]
    for unit in units:
        chance = f"{100 * unit.probability_outside:.0f} %"
        told = f"From this ride alone, {name} lies outside its claim with a chance of {chance}"
        yield weakness(f"{told}: it is named as off.") if unit.named else answered(f"{told}; it is not named as off.")


def _standing(case: Case, name: str) -> Finding:
    standing = case.terms.standing
    if standing is None:
        why = "the ledger does not know its unit" if case.terms.ledger_asked else "no ledger was given"
        return still_open(f"Whether {name} is fit to be a reference is not shown here: {why}.")
    rides = f"{standing.unit} has {counted(standing.rides, 'ride')} in the ledger"
    spread = _spread(standing)
    if standing.fit:
        return answered(f"{rides} and is fit to be a reference{spread}.")
    return weakness(f"{rides} and is not shown to be fit to be a reference: {standing.why_not}{spread}.")


def _spread(standing: LedgerStanding) -> str:
    if standing.upper_sd_pct is None or standing.reproducibility_sd_pct is None:
        return ""
    return (
        f"; over {counted(standing.sessions, 'session')} against {standing.partner} it reproduces to "
        f"{number(standing.reproducibility_sd_pct, '.2f', '%')} (sd, at most "
        f"{number(standing.upper_sd_pct, '.2f', '%')})"
    )


def _tolerance(case: Case) -> Iterator[Finding]:
    if not case.judged.verdicts:
        yield still_open("Nothing was compared.")
        return
    chain = case.judged.setup.chain
    if any(v.expected_sd_pct for v in case.judged.verdicts.values()):
        drag = f" and a drag of {chain.drag_nm:g} ± {2 * chain.drag_sd_nm:g} N·m" if chain.drag_nm else ""
        yield noted(
            f"From crank to hub the chain is taken to lose {chain.loss_pct:g} ± {2 * chain.loss_sd_pct:g} % (95 "
            f"%){drag}; this is taken out of the difference, and its doubt is in the tolerance."
        )
    for name, verdict in case.judged.verdicts.items():
        claims = f"claims ± {claim_pct(case.meter(name)):g} % and ± {claim_pct(case.meter(verdict.reference)):g} %"
        says = f"{name}: {claims}. {tolerance_sentence(verdict)}"
        yield weakness(says) if verdict.claim_assumed else answered(says)
    for tried in case.tried:
        changed = {n: w for n, w in tried.words.items() if w != case.judged.verdicts[n].judgement.word}
        if changed:
            before = {n: case.judged.verdicts[n].judgement.word for n in changed}
            told = listed(f"{n} is “{word}” instead of “{before[n]}”" for n, word in changed.items())
            yield weakness(f"{_upper(tried.assumption)}, {told}.")
        else:
            yield answered(f"{_upper(tried.assumption)}: every verdict stays.")


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _comparisons(case: Case) -> Iterator[Finding]:
    verdicts = case.judged.verdicts
    if not verdicts:
        yield still_open("Nothing was compared.")
        return
    told = comparisons_sentence(verdicts.values())
    yield answered(told) if len(verdicts) == 1 else noted(told)
    if len(verdicts) == 1:
        return
    for name, verdict in verdicts.items():
        word, half_width = _widened(verdict, len(verdicts))
        j = verdict.judgement
        if j.word == "undecided":
            yield answered(f"{name} is undecided, which no number of comparisons brings about.")
            continue
        says = (
            f"{name}, with an interval for {len(verdicts)} comparisons at once: "
            f"{number(j.away_pct, '+.2f')} ± {number(half_width, '.2f', '%')}, tolerance ± "
            f"{number(j.tolerance_pct, '.2f', '%')}: {word}"
        )
        yield answered(f"{says}, as before.") if word == j.word else weakness(f"{says}; taken by itself it {j.word}.")


def _widened(verdict: RideVerdict, comparisons: int) -> tuple[Word, float]:
    """Each error rate divided by the number of comparisons; the interval by Student's t of the pooled segments."""
    j = verdict.judgement
    freedom = max(j.repeats - 1, 1)
    half_width = j.half_width_pct * student_t(1 - 0.025 / comparisons, freedom) / student_t(0.975, freedom)
    return decide(j.away_pct, half_width, j.tolerance_pct), half_width


def _amendments(case: Case) -> Iterator[Finding]:
    amendments, before = case.recording.amendments, case.judged.as_recorded
    if amendments is None or before is None:
        yield answered("Nothing was amended: the segments are as they were recorded.")
        return
    for change in amendments.changes:
        yield noted(f"Amended {change_words(change)}.")
    for name, verdict in case.judged.verdicts.items():
        was = before[name].judgement.word if name in before else "not compared"
        now = verdict.judgement.word
        same = was == now
        yield answered(f"{name}: {now}, with and without.") if same else weakness(f"{name}: {now}; without it {was}.")


def _software(case: Case) -> Iterator[Finding]:
    metadata, rows = case.recording.metadata, case.rows
    yield noted(
        f"Recorded by wattproof {metadata.product_version} with decoder version {metadata.decoder_version}; judged "
        f"by wattproof {case.terms.product_version} with decoder version {case.terms.decoder_version}."
    )
    origin = "records of the files" if case.all_from_files else "bytes as received"
    says = f"{counted(rows.rows, 'row')} with {rows.values} decoded values were decoded again from the {origin}"
    yield from files_here(case)
    if not rows.wrong_count:
        yield answered(f"{says}: all the same.")
    elif case.recording.decoded_again:
        yield answered(
            f"{says}: {rows.wrong_count} differ from those of the older decoder. The figures use the new ones "
            "throughout."
        )
    else:
        yield weakness(f"{says}: {rows.wrong_count} differ from what is stored.")


def _made_up(case: Case) -> Iterator[Finding]:
    if case.recording.metadata.clock == "virtual":
        yield weakness("This ride is a simulation: it shows what a pack is, and proves nothing about a meter.")
    yield still_open(
        "The pack shows that everything in it follows from the packets in the recording. Who altered the packets "
        "could make a new pack. A SHA-256 of the pack that was published at the time of the test, or a copy given to "
        "the maker then, rules that out from then on."
    )
    yield still_open("Whether other rides were left out shows only in a ledger kept from the start.")
