"""What verifying a pack found, as lines for a terminal and as a table for programs; computes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from textwrap import wrap
from typing import Any

from analysis.json_figures import jsonable
from analysis.pack.compared import Difference
from analysis.pack.row_check import WrongValue
from analysis.pack.terms import as_table
from analysis.pack.verify import Verified
from analysis.report_page.number_text import counted
from analysis.safe_text import safe_text

MOST_LINES = 20
WIDTH = 100


def verified_table(found: Verified) -> dict[str, Any]:
    """As `--json` prints it."""
    table: dict[str, Any] = jsonable(asdict(found))
    table["verified"] = found.verified
    table["damages"] = [{**told, "words": d.words} for told, d in zip(table["damages"], found.damages, strict=True)]
    for wrong in table["wrong_values"]:
        wrong["stored"], wrong["again"] = _plain(wrong["stored"]), _plain(wrong["again"])
    table["terms"] = None if found.terms is None else as_table(found.terms)
    return table


def _plain(value: Any) -> Any:
    return value.hex() if isinstance(value, bytes) else value


def verified_lines(found: Verified, name: str) -> list[str]:
    lines = [f"{safe_text(name, 200)}: {_headline(found)}", f"  SHA-256 {found.sha256}"]
    if not found.as_expected:
        lines.append(
            f"  expected {safe_text(found.expected_sha256 or '', 64)}: this is not the archive that was published"
        )
    lines += _damage_lines(found)
    lines += _again_lines(found)
    for note in found.notes:
        lines += wrap(note, WIDTH, initial_indent="  note: ", subsequent_indent="    ")
    return lines


def _headline(found: Verified) -> str:
    if found.verified:
        return "verified"
    wrong = found.damages or found.difference_count or not found.as_expected
    return "DIFFERS" if wrong or (found.wrong_value_count and not found.older_decoder) else "NOT WHOLLY VERIFIED"


def _damage_lines(found: Verified) -> Iterator[str]:
    if not found.damages:
        yield "  every byte of the archive is as it was packed"
    for damage in found.damages[:MOST_LINES]:
        yield f"  damaged: {safe_text(damage.words, 300)}"
    if len(found.damages) > MOST_LINES:
        yield f"  and {len(found.damages) - MOST_LINES} damaged places more"


def _again_lines(found: Verified) -> Iterator[str]:
    if found.rows is None:
        return
    values = f"{found.rows.values} values of {counted(found.rows.rows, 'row')} decoded again"
    yield f"  {values}: {_all_the_same(found.wrong_value_count)}"
    yield from (f"  differs: {_wrong_words(w)}" for w in found.wrong_values[:MOST_LINES])
    pages = "" if found.not_compared else ", page and objection"
    yield f"  every figure, table{pages} computed again: {_all_the_same(found.difference_count)}"
    yield from (f"  differs: {_difference_words(d)}" for d in found.differences[:MOST_LINES])
    if found.difference_count > MOST_LINES:
        yield f"  and {found.difference_count - MOST_LINES} differences more; --json lists up to 200"
    if found.objections is not None:
        told = found.objections
        weak = counted(told["weakness"], "weakness", "weaknesses")
        yield f"  objections: {told['answered']} answered, {told['open']} open, {weak}"


def _all_the_same(count: int) -> str:
    return "all the same" if not count else f"{counted(count, 'difference')}"


def _wrong_words(wrong: WrongValue) -> str:
    where = f"row {wrong.row}, {safe_text(wrong.sensor or 'no sensor')}, {wrong.column}"
    return f"{where}: stored {_value(wrong.stored)}, decoded again {_value(wrong.again)}"


def _difference_words(difference: Difference) -> str:
    where = f"{difference.member}, {safe_text(difference.place, 120)}"
    return f"{where}: packed {_value(difference.packed)}, computed again {_value(difference.again)}"


def _value(value: Any) -> str:
    if value is None:
        return "nothing"
    return safe_text(value if isinstance(value, str) else repr(value), 120)
