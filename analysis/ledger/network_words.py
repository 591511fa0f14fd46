"""What an adjustment of all rides says, as sentences and lines; every number in them was computed elsewhere."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.adjustment import LEAST_METERS, Adjustment, Difference, UnitError
from analysis.adjustment_words import who_sentence, zero_sentences
from analysis.plain_text import counted


@dataclass(frozen=True)
class EpochStep:
    """What a new firmware did, through all rides of the network; None where none link the two."""

    unit: str
    before: str
    after: str
    change: Difference | None


def epoch_steps(found: Adjustment) -> list[EpochStep]:
    """In the order in which each unit's firmware was first seen."""
    steps = []
    for unit, epochs in _epochs(found).items():
        for before, after in pairwise(epochs):
            steps.append(EpochStep(unit, before, after, found.difference((unit, after), (unit, before))))
    return steps


def network_lines(found: Adjustment) -> Iterable[str]:
    """Sentences for a terminal or page, in sections that start with an empty line and a head."""
    yield from named_sentences(found)
    yield birge_sentence(found)
    yield from ("", "Each unit")
    yield from map(error_sentence, found.units)
    anchor = max(found.units, key=lambda u: (u.linked, u.rides))
    yield from ("", f"Against {_name(anchor.unit, anchor.epoch)}, from readings alone")
    yield from (difference_sentence(found, unit, anchor) for unit in found.units if unit.key != anchor.key)
    steps = epoch_steps(found)
    if steps:
        yield from ("", "Firmware")
        yield from map(step_sentence, steps)


def named_sentences(found: Adjustment) -> Iterable[str]:
    if all(unit.linked < LEAST_METERS for unit in found.units):
        yield "No more than two units were ever compared with each other: which of two is off cannot be known."
    else:
        yield who_sentence(found)
        yield from zero_sentences(found)


def birge_sentence(found: Adjustment) -> str:
    if not math.isfinite(found.birge_ratio):
        return "There are too few readings to hold the rides against each other."
    words = (
        f"Birge ratio {found.birge_ratio:.2f} (χ² {found.chi2:.1f}, {found.degrees_of_freedom} degrees of freedom)"
    )
    together = "fit together" if found.consistent else "contradict each other more than their intervals allow"
    return f"{words}: the rides {together}."


def error_sentence(unit: UnitError) -> str:
    low, high = unit.low_pct, unit.high_pct
    words = f"{_name(unit.unit, unit.epoch)}: {unit.error_pct:+.1f} % ({low:+.1f} to {high:+.1f} %)"
    outside = f"{_likely(unit.probability_outside)} likely outside its claim ± {unit.claim_pct:g} %"
    return f"{words}, {outside}; {counted(unit.rides, 'ride')}."


def difference_sentence(found: Adjustment, unit: UnitError, anchor: UnitError) -> str:
    name = _name(unit.unit, unit.epoch)
    difference = found.difference(unit.key, anchor.key)
    if difference is None:
        return f"{name}: no rides link the two."
    return f"{name}: {_plus_minus(difference)}."


def step_sentence(step: EpochStep) -> str:
    after = step.after or "a firmware that is not told"
    if step.change is None:
        return f"{step.unit}: no rides link what was before {after} with what came after."
    return f"{step.unit} after {after}: {_plus_minus(step.change)}."


def _plus_minus(difference: Difference) -> str:
    return f"{difference.difference_pct:+.1f} ± {difference.half_width_pct:.1f} %"


def _likely(probability: float) -> str:
    if probability > 0.99:
        return "more than 99 %"
    return f"{100 * probability:.0f} %" if probability >= 0.01 else "less than 1 %"


def _name(unit: str, epoch: str) -> str:
    return f"{unit} ({epoch})" if epoch else unit


def _epochs(found: Adjustment) -> dict[str, Sequence[str]]:
    epochs: dict[str, list[str]] = defaultdict(list)
    for unit in found.units:
        epochs[unit.unit].append(unit.epoch)
    return dict(epochs)
