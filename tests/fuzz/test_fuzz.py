"""Each target with a few inputs near well-formed ones, and every input that once did what it must not."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.feed import Feed, as_pieces
from tests.fuzz.mutations import Mutant, mutants
from tests.fuzz.targets import CRASHES, Target, all_targets

KNOWN = all_targets()
CASES = [
    pytest.param(target, path, id=f"{target.name}-{path.name}")
    for target in KNOWN.values()
    for path in target.crashes()
]
MS_PER_TARGET = 300.0


@pytest.mark.parametrize("name", KNOWN)
def test_what_comes_from_outside_gives_a_result_or_an_error_of_ours(name: str) -> None:
    target = KNOWN[name]
    seeds = list(target.seeds())
    examples = max(2, min(100, round(MS_PER_TARGET / target.cost_ms)))

    @settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(mutants(len(seeds)))
    def run(mutant: Mutant) -> None:
        target.run(mutant.data(seeds))

    for seed in seeds[:examples]:
        target.run(seed)
    run()


@pytest.mark.parametrize(("target", "path"), CASES)
def test_an_input_that_was_found_stays_mended(target: Target, path: Path) -> None:
    target.run(path.read_bytes())


def test_every_folder_of_found_inputs_belongs_to_a_target() -> None:
    assert {folder.name for folder in CRASHES.iterdir() if folder.is_dir()} <= set(KNOWN)


@given(st.lists(st.binary(max_size=50), max_size=10))
def test_pieces_come_apart_as_they_were_put_together(pieces: list[bytes]) -> None:
    assert list(Feed(as_pieces(*pieces)).pieces()) == pieces
