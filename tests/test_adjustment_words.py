"""Who is off, in words: every sentence follows from its numbers, and none says more than they do."""

from __future__ import annotations

import re

import pytest

from analysis.adjustment import adjust
from analysis.adjustment_words import (
    fit_sentence,
    odd_sentence,
    scatter_sentence,
    step_sentence,
    unit_sentence,
    who_sentence,
    zero_sentences,
)
from analysis.random_errors import RandomErrors
from analysis.tolerance import ChainLoss
from tests.adjusted_benches import Truth, meter, ridden

ALDER, BIRCH, DOGWOOD = meter("Alder"), meter("Birch"), meter("Dogwood")
CEDAR = meter("Cedar", behind=True)


def test_a_trainer_that_is_off_is_told_with_what_the_chain_explains() -> None:
    """The total, the chain's part and the chance must follow from each other."""
    chain = ChainLoss(2.5, 0.15)
    found = adjust([ridden((ALDER, BIRCH, CEDAR), Truth({"Cedar": -3.0}), chain=chain)])
    said = who_sentence(found, chain)
    pattern = (
        r"Cedar reads (\d\.\d) % below Alder and Birch; the chain explains 2\.5 ± 0\.3 %; "
        r"more than 99 % likely outside its claim of ± 1 %\."
    )
    match = re.fullmatch(pattern, said)
    assert match is not None, said
    assert float(match[1]) == pytest.approx(100 * (1 - 0.97 * 0.975), abs=0.15)


def test_a_meter_before_the_chain_is_told_against_the_others() -> None:
    found = adjust([ridden((ALDER, BIRCH, DOGWOOD), Truth({"Birch": 3.0}))])
    said = who_sentence(found)
    assert said == "Birch reads 3.0 % above Alder and Dogwood; more than 99 % likely outside its claim of ± 1 %."
    chain = ChainLoss(2.5, 0.15)
    across = adjust([ridden((ALDER, BIRCH, CEDAR), Truth({"Birch": 4.0}), chain=chain)])
    assert "above Alder and Cedar, the chain counted; " in who_sentence(across, chain)


def test_two_meters_give_no_name() -> None:
    found = adjust([ridden((ALDER, CEDAR), Truth({"Cedar": -8.0}))])
    assert (
        who_sentence(found)
        == "Two meters, Alder and Cedar: if one is off, it cannot be known which. A third would tell."
    )


def test_sound_and_unsure_are_not_the_same() -> None:
    sound = adjust([ridden((ALDER, BIRCH, DOGWOOD), Truth())])
    assert re.fullmatch(
        r"Nobody is off: every meter lies within its claim with a chance of 9\d % or more\.", who_sentence(sound)
    )
    unsure = adjust([ridden((ALDER, BIRCH, CEDAR), Truth({"Cedar": -2.5}))])
    assert who_sentence(unsure).startswith("The evidence carries no name. Most suspect is Cedar, ")


def test_a_meter_by_itself() -> None:
    found = adjust([ridden((ALDER, BIRCH, CEDAR), Truth())])
    assert re.fullmatch(
        r"Alder: error -\d\.\d\d … \+\d\.\d\d %, claim ± 1 %, (?:\d+|less than 1) % likely outside it; "
        r"zero offset [+-]\d\.\d\d ± \d\.\d\d N·m\.",
        unit_sentence(found.unit("alder")),
    )
    assert "; zero offset less drag " in unit_sentence(found.unit("cedar"))
    assert odd_sentence(found.unit("cedar"), found, ChainLoss()).startswith("Cedar reads 2.")


def test_zero_offsets_and_contradictions_are_said_only_where_there_are_any() -> None:
    fine = adjust([ridden((ALDER, BIRCH, DOGWOOD), Truth())])
    assert (zero_sentences(fine), fit_sentence(fine)) == ([], "")
    zero = adjust([ridden((ALDER, BIRCH, DOGWOOD), Truth(offset_nm={"Birch": 0.8}))])
    assert zero_sentences(zero)[0].startswith("Birch: the zero offset is more likely off than not (")
    rides = [ridden((ALDER, BIRCH), Truth({"Birch": s}), ride=str(s), variance_pct2=1e-4) for s in (-4, 4, -5, 5, 9)]
    assert "Birge ratio" in fit_sentence(adjust(rides))


def test_scatter_too_small_to_tell_is_said() -> None:
    scatter = RandomErrors(("Alder", "Birch", "Cedar"), (1.0, -0.1, 0.25), 600)
    assert scatter_sentence(scatter) == (
        "Scatter of single seconds, each meter by itself (sd): "
        "Alder 1.00 %, Birch too little to tell and Cedar 0.50 %."
    )


def test_a_firmware_step() -> None:
    rides = [
        ridden((ALDER, meter("Birch", epoch)), Truth({"Birch": s}), ride=f"{epoch} {n}", seed=n)
        for epoch, s in (("2.0", 0.2), ("2.1.0", -1.6))
        for n in range(3)
    ]
    found = adjust(rides)
    assert re.fullmatch(r"after 2\.1\.0: -1\.8 ± 0\.\d %", step_sentence(found, "birch", "2.0", "2.1.0"))
    assert step_sentence(adjust(rides[:3] + rides[:3]), "birch", "2.0", "2.1.0").endswith("no rides link the two.")
    same = [*rides[:3], *(ridden((ALDER, meter("Birch", "2.2")), Truth({"Birch": 0.2}), ride=f"{n}") for n in "ab")]
    assert step_sentence(adjust(same), "birch", "2.0", "2.2").endswith(", which may be nothing")
