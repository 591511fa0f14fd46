"""All objections of a ride in the order in which a pack gives them."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.pack.about_data import about_data
from analysis.pack.about_judging import about_judging
from analysis.pack.about_meters import about_meters
from analysis.pack.about_ride import about_ride
from analysis.pack.about_zero import about_zero
from analysis.pack.case import Case
from analysis.pack.objection import CHAPTERS, WORDS, Objection, Word


def objections_of(case: Case) -> tuple[Objection, ...]:
    every = (*about_meters(case), *about_zero(case), *about_ride(case), *about_data(case), *about_judging(case))
    return tuple(o for chapter in CHAPTERS for o in every if o.chapter == chapter)


def tally(objections: Sequence[Objection]) -> dict[Word, int]:
    """How many stand how."""
    return {word: sum(o.word == word for o in objections) for word in WORDS}
