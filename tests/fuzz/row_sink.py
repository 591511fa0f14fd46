"""A sink that keeps nothing, but takes only what a journal could keep."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.rows import RowKind
from recorder.journal_frames import to_json
from recorder.source import Identity, Origin


class RowSink:
    """A `recorder.source.RelayedSink`."""

    def __init__(self) -> None:
        self.start_ns = 0
        self.rows = 0

    def received(
        self, clock_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind = "notification"
    ) -> None:
        self._numbers(clock_ns)

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        to_json({"event": event, "sensor": sensor, **detail})
        self.rows += 1

    def identified(self, sensor: str, identity: Identity) -> None:
        to_json(identity.as_dict())

    def relayed(
        self, clock_ns: int, origin: Origin, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind
    ) -> None:
        self._numbers(clock_ns, origin.clock_ns, origin.seq)

    def relayed_event(
        self, clock_ns: int, origin: Origin, event: str, sensor: str | None, detail: Mapping[str, Any]
    ) -> None:
        self._numbers(clock_ns, origin.clock_ns, origin.seq)
        to_json({"event": event, "sensor": sensor, **detail})

    def written(self) -> int:
        return self.rows

    def safe(self) -> int:
        return self.rows

    def _numbers(self, *numbers: int) -> None:
        """:raises OverflowError: for what no column of 64 bits holds."""
        for number in numbers:
            number.to_bytes(8, "little", signed=True)
        self.rows += 1
