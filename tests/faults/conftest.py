"""How an experiment tells what it measured, for the table that `python -m tests.faults` prints."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Tell = Callable[[int, str, str, str], None]


@pytest.fixture
def tell(record_property: Callable[[str, object], None]) -> Tell:
    """The number of the fault, how it was provoked, what the user saw, and what was measured."""

    def keep(fault: int, provoked: str, saw: str, measured: str) -> None:
        record_property("fault", (fault, provoked, saw, measured))

    return keep
