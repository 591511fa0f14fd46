"""Columns made from buffers by hand are what `pyarrow.array`, the reference, makes of the same values."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.arrow_columns import ARROW_TYPES, GrowingColumn, nulls

VALUES: dict[str, st.SearchStrategy[Any]] = {
    "int64": st.integers(-(2**63), 2**63 - 1),
    "int32": st.integers(-(2**31), 2**31 - 1),
    "float64": st.floats(allow_nan=False),
    "bool": st.booleans(),
    "binary": st.binary(max_size=30),
    "string": st.text(max_size=12),
    "words": st.sampled_from(["Alder", "Birch", "", "2a63"]),
}
WRONG: dict[str, list[object]] = {
    "int64": [1.5, "1", 2**63, None, b"1"],
    "int32": [1.0, 2**31, -(2**31) - 1, [1]],
    "float64": ["1.5", {}, None],
    "bool": ["yes", 1],
    "binary": ["text", 3],
    "string": [b"bytes", 3],
    "words": [7, ["Alder"]],
}


@st.composite
def columns(draw: st.DrawFn) -> tuple[str, list[Any]]:
    column_type = draw(st.sampled_from(list(VALUES)))
    return column_type, draw(st.lists(st.none() | VALUES[column_type], max_size=40))


def made(column_type: str, values: list[Any]) -> pa.Array:
    column = GrowingColumn(column_type)
    for row, value in enumerate(values):
        if value is not None:
            assert column.fits(value)
            column.add(row, value)
    found = column.array(len(values))
    found.validate(full=True)
    return found


@settings(max_examples=300, deadline=None)  # the reference imports pandas when it is first used
@given(columns())
def test_any_column_is_as_the_library_makes_it(column: tuple[str, list[Any]]) -> None:
    column_type, values = column
    reference = pa.array(values, ARROW_TYPES[column_type])
    found = made(column_type, values)
    assert found.equals(reference)
    assert found.null_count == reference.null_count
    if column_type == "words":
        assert found.dictionary.equals(reference.dictionary)


@pytest.mark.parametrize("column_type", list(VALUES))
def test_columns_longer_than_a_block(column_type: str) -> None:
    some = {"int64": 2**40, "int32": 7, "float64": 0.5, "bool": True, "binary": b"\xff\x00", "string": "é"}
    values = [None if n % 3 == 0 else some.get(column_type, f"word {n % 17}") for n in range(30_000)]
    assert made(column_type, values).equals(pa.array(values, ARROW_TYPES[column_type]))
    assert nulls(column_type, 100).equals(pa.nulls(100, ARROW_TYPES[column_type]))


@pytest.mark.parametrize(("column_type", "value"), [(name, value) for name in WRONG for value in WRONG[name]])
def test_what_does_not_fit_is_refused(column_type: str, value: object) -> None:
    column = GrowingColumn(column_type)
    assert not column.fits(value)
    if value is None or (column_type == "bool" and value == 1):
        return
    column.add(0, value)
    with pytest.raises((TypeError, ValueError, OverflowError, AttributeError)):
        column.array(1)


def test_finishing_a_ride_brings_in_no_pandas(tmp_path: Path) -> None:
    """It would cost a recorder 40 MB."""
    script = (
        "import sys; from pathlib import Path; from recorder.compose import recover_path;"
        "from recorder.storage import SystemStorage; from tests.riding import Journal;"
        "Journal(5).put(Path(sys.argv[1])); pandas = 'pandas' in sys.modules;"
        "assert recover_path(Path(sys.argv[1]), SystemStorage()).recovered;"
        "sys.exit(pandas or 'pandas' in sys.modules)"
    )
    root = Path(__file__).resolve().parents[1]
    found = subprocess.run([sys.executable, "-c", script, str(tmp_path)], cwd=root, capture_output=True, check=False)
    assert found.returncode == 0, found.stderr
