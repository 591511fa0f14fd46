"""The latest decoded values of every stream, for whoever watches while a recording runs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.rows import Row

Onlooker = Callable[[Row, Mapping[str, Any]], None]


@dataclass
class LiveReadings:
    """An onlooker: called with each row that is safe in the journal and its decoded fields."""

    host_ns: dict[str, int] = field(default_factory=dict)
    power_w: dict[str, float] = field(default_factory=dict)
    cadence_rpm: dict[str, float] = field(default_factory=dict)

    def __call__(self, row: Row, fields: Mapping[str, Any]) -> None:
        if row.sensor is None or row.row_kind == "event":
            return
        if "power_w" in fields:
            self.power_w[row.sensor] = fields["power_w"]
            self.host_ns[row.sensor] = row.host_ns
        if "cadence_rpm" in fields:
            self.cadence_rpm[row.sensor] = fields["cadence_rpm"]
            self.host_ns[row.sensor] = row.host_ns
