"""Who is off, as sentences: only what the evidence carries, with the numbers it follows from."""

from __future__ import annotations

import math

from analysis.adjustment import LEAST_METERS, Adjustment, UnitError
from analysis.bench_model import REFERENCE_TORQUE_NM
from analysis.plain_text import listed
from analysis.random_errors import RandomErrors
from analysis.tolerance import ChainLoss

# A meter that is less likely outside its claim than this counts as within it.
WITHIN_BELOW = 0.05
# Who has less of a say in the measure than this is not mentioned.
LEAST_SHARE = 0.1


def who_sentence(adjustment: Adjustment, chain: ChainLoss | None = None) -> str:
    """The finding. `chain`: the one between the meters of a single ride, to say what it explains."""
    named = [u for u in adjustment.units if u.named]
    if named:
        return " ".join(odd_sentence(u, adjustment, chain) for u in named)
    suspect = max(adjustment.units, key=lambda u: u.probability_outside)
    if max(u.linked for u in adjustment.units) < LEAST_METERS:
        names = " and ".join(dict.fromkeys(u.name for u in adjustment.units))
        return f"Two meters, {names}: if one is off, it cannot be known which. A third would tell."
    if suspect.probability_outside < WITHIN_BELOW:
        least = min(math.floor(100 * (1 - suspect.probability_outside)), 99)
        return f"Nobody is off: every meter lies within its claim with a chance of {least} % or more."
    return (
        f"The evidence carries no name. Most suspect is {_titled(suspect)}, "
        f"{_likely(suspect.probability_outside)} likely outside its claim of ± {suspect.claim_pct:g} %."
    )


def adjustment_sentences(adjustment: Adjustment, chain: ChainLoss | None = None) -> list[str]:
    """All that is said of a ride, the finding first."""
    said = [who_sentence(adjustment, chain), *zero_sentences(adjustment), fit_sentence(adjustment)]
    return [sentence for sentence in said if sentence] + [unit_sentence(u) for u in adjustment.units]


def odd_sentence(unit: UnitError, adjustment: Adjustment, chain: ChainLoss | None = None) -> str:
    """What a named meter reads against those that it is held against."""
    judges = _judges(unit, adjustment)
    across = [j for j in judges if j.behind_chain != unit.behind_chain]
    others = listed([_titled(j) for j in judges]) or "the others"
    likely = f"{_likely(unit.probability_outside)} likely outside its claim of ± {unit.claim_pct:g} %."
    if chain is not None and unit.behind_chain and across and len(across) == len(judges):
        loss, doubt = chain.total_pct(REFERENCE_TORQUE_NM), 2 * chain.total_sd_pct(REFERENCE_TORQUE_NM)
        reads = 100 * ((1 + unit.others_see_pct / 100) * (1 - loss / 100) - 1)
        explained = f"the chain explains {loss:.1f} ± {doubt:.1f} %"
        return f"{_titled(unit)} reads {_beside(reads)} {others}; {explained}; {likely}"
    counted = ", the chain counted" if across else ""
    return f"{_titled(unit)} reads {_beside(unit.others_see_pct)} {others}{counted}; {likely}"


def unit_sentence(unit: UnitError) -> str:
    """One meter's own error; of a zero offset behind the chain only the sum with the drag is known."""
    offset = "zero offset less drag" if unit.behind_chain else "zero offset"
    return (
        f"{_titled(unit)}: error {unit.low_pct:+.2f} … {unit.high_pct:+.2f} %, claim ± {unit.claim_pct:g} %, "
        f"{_likely(unit.probability_outside)} likely outside it; "
        f"{offset} {unit.offset_nm:+.2f} ± {unit.offset_half_width_nm:.2f} N·m."
    )


def zero_sentences(adjustment: Adjustment) -> list[str]:
    return [
        f"{f.name}: the zero offset is more likely off than not ({_likely(f.probability)}); zero it and ride again."
        for f in adjustment.zero_faults
    ]


def fit_sentence(adjustment: Adjustment) -> str:
    """Empty where the readings go together."""
    if adjustment.consistent:
        return ""
    return (
        f"The readings contradict each other more than their intervals and claims allow "
        f"(χ² {adjustment.chi2:.0f} at {adjustment.degrees_of_freedom} degrees of freedom, "
        f"Birge ratio {adjustment.birge_ratio:.1f})."
    )


def scatter_sentence(scatter: RandomErrors) -> str:
    """`scatter` in % of the power of single seconds."""
    told = [
        f"{name} {sd:.2f} %" if variance >= 0 else f"{name} too little to tell"
        for name, sd, variance in zip(scatter.meters, scatter.sd, scatter.variance, strict=True)
    ]
    return f"Scatter of single seconds, each meter by itself (sd): {listed(told)}."


def step_sentence(adjustment: Adjustment, unit: str, before: str, after: str) -> str:
    """What a new firmware changed: "after 2.1.0: −1.8 ± 0.6 %"."""
    step = adjustment.difference((unit, after), (unit, before))
    if step is None:
        return f"after {after}: cannot be compared with {before}, no rides link the two."
    seen = abs(step.difference_pct) > step.half_width_pct
    words = "" if seen else ", which may be nothing"
    return f"after {after}: {step.difference_pct:+.1f} ± {step.half_width_pct:.1f} %{words}"


def _judges(unit: UnitError, adjustment: Adjustment) -> list[UnitError]:
    return [adjustment.unit(s.unit, s.epoch) for s in unit.measured_by if s.share >= LEAST_SHARE]


def _titled(unit: UnitError) -> str:
    return f"{unit.name} with {unit.epoch}" if unit.epoch else unit.name


def _beside(difference_pct: float) -> str:
    return f"{abs(difference_pct):.1f} % {'above' if difference_pct > 0 else 'below'}"


def _likely(probability: float) -> str:
    """Never 0 or 100 %."""
    if probability > 0.99:
        return "more than 99 %"
    return "less than 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"
