"""From rows of bytes to the decoded columns, in row order; cadence needs what came before, the rest does not."""

from __future__ import annotations

from analysis.characteristics.byte_fields import ColumnValue
from analysis.characteristics.registry import decode_fields
from analysis.event_rates import EventRate
from analysis.ride_files.record_payload import decode_record
from analysis.rows import Event, Row

CRANK_TICKS_PER_S = 1024


class RowDecoder:
    """Feed every row of a recording in order, live or from a file: the same rows give the same fields."""

    def __init__(self) -> None:
        self._crank: dict[tuple[str, str], EventRate] = {}

    def fields(self, row: Row) -> dict[str, ColumnValue]:
        """Values of the decoded columns that this row has.

        :raises analysis.characteristics.not_understood.NotUnderstood: for a payload that cannot be decoded.
        """
        if row.row_kind == "event":
            if row.event == Event.LINK_FOUND and row.sensor is not None:
                self._restart(row.sensor)
            return {}
        if row.row_kind == "imported":
            return {} if row.payload is None else decode_record(row.payload)
        if row.payload is None or row.characteristic is None or row.row_kind in ("write", "indication"):
            return {}
        found = decode_fields(row.characteristic, row.payload)
        if "crank_revolutions" in found and row.sensor is not None:
            rate = self._rate(row.sensor, row.characteristic)
            ticks = round(float(found["crank_event_s"]) * CRANK_TICKS_PER_S)
            update = rate.update(row.host_ns, int(found["crank_revolutions"]), ticks)
            if update.rate_rpm is not None:
                found.setdefault("cadence_rpm", update.rate_rpm)
        return found

    def _rate(self, sensor: str, characteristic: str) -> EventRate:
        key = (sensor, characteristic)
        if key not in self._crank:
            self._crank[key] = EventRate(CRANK_TICKS_PER_S)
        return self._crank[key]

    def _restart(self, sensor: str) -> None:
        for (name, _), rate in self._crank.items():
            if name == sensor:
                rate.restart()
