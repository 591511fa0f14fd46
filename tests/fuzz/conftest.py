"""Bounds the memory that one target may take: what asks for more gets a MemoryError instead of the machine's last."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.fuzz.memory import most_memory


@pytest.fixture(autouse=True)
def bounded_memory() -> Iterator[None]:
    with most_memory():
        yield
