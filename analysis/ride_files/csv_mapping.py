"""Which columns of a table hold what, as stated by a person: `time=t_s,power=power_w,cadence=rpm`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from analysis.errors import BadInput
from analysis.safe_text import safe_text

QUANTITIES = (
    "time",
    "power",
    "cadence",
    "balance",
    "balance_left",
    "balance_right",
    "speed",
    "temperature",
    "heart_rate",
    "latitude",
    "longitude",
)
EXAMPLE = '--csv "time=t_s,power=power_w,cadence=cadence_rpm"'


@dataclass(frozen=True)
class CsvMapping:
    """`columns`: quantity to the column's name in the file. `decimal`: how numbers are written, None to find out."""

    columns: Mapping[str, str]
    decimal: Literal[".", ","] | None = None


def parse_mapping(text: str) -> CsvMapping:
    """:raises BadInput: one sentence with the part that is wrong."""
    columns: dict[str, str] = {}
    decimal: Literal[".", ","] | None = None
    for part in text.split(","):
        quantity, equals, column = (word.strip() for word in part.partition("="))
        shown = safe_text(part, 60)
        if not equals or not column:
            raise BadInput(f"`{shown}` in --csv is not of the form quantity=column; for example {EXAMPLE}")
        if quantity == "decimal":
            if column not in ("comma", "point"):
                raise BadInput(f"`{shown}` in --csv: write decimal=comma or decimal=point")
            decimal = "," if column == "comma" else "."
        elif quantity not in QUANTITIES:
            raise BadInput(f"`{shown}` in --csv: known are {', '.join(QUANTITIES)}, and decimal=comma")
        elif quantity in columns:
            raise BadInput(f"--csv gives {quantity} twice; give each quantity one column")
        else:
            columns[quantity] = column
    if "time" not in columns or len(columns) < 2:
        raise BadInput(f"--csv needs the column of the time and at least one more; for example {EXAMPLE}")
    return CsvMapping(columns, decimal)
