"""The small version of the naming experiment: coverage, power, and no name where there can be none."""

from __future__ import annotations

from itertools import islice

import pytest

from tests.experiments.naming import Layout, OddError, mixture_cell, odd_cell, table


@pytest.mark.parametrize("layout", [Layout(2), Layout(3), Layout(3, 0.4)], ids=lambda layout: layout.words)
def test_intervals_cover_on_benches_as_the_prior_draws_them(layout: Layout) -> None:
    """Intervals of one bench err together: over 100 benches the coverage scatters by about 1.5 % around 95 %."""
    assert 90 <= mixture_cell(layout, 100, seed=7).coverage_pct <= 99.5


@pytest.mark.parametrize("kind", ["scale", "zero"])
def test_three_claims_among_three_on_one_side_are_named(kind: str) -> None:
    cell = odd_cell(Layout(3), OddError(3.0, "scale" if kind == "scale" else "zero"), 60, seed=8)
    assert cell.right >= 52
    assert cell.wrong <= 3


def test_nobody_is_named_of_two_and_hardly_anybody_of_the_sound() -> None:
    two = odd_cell(Layout(1, 1.0), OddError(4.0, behind=True), 20, seed=9)
    assert (two.right, two.wrong) == (0, 0)
    assert odd_cell(Layout(3, 1.0), OddError(0.0), 60, seed=10).wrong <= 3


def test_the_table_has_a_line_for_each_place_and_kind() -> None:
    head, names, first = islice(table(1, 1), 3)
    assert head.startswith("1 benches per cell")
    assert names.split()[-6:] == ["0", "1", "1.5", "2", "3", "4"]
    assert first.startswith("2 ")
