"""Where a relay's radio puts what it receives: into the sender, in the order in which it came."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from analysis.rows import Event, Row, RowKind
from recorder.host_clock import HostClock
from recorder.live_readings import Onlooker
from recorder.relay_messages import Kind
from recorder.relay_sender import RelaySender
from recorder.source import Identity


@dataclass
class RelaySink:
    """A `recorder.source.RecordSink`. `onlooker` hears of events only."""

    sender: RelaySender
    clock: HostClock
    onlooker: Onlooker
    open: bool = True
    received_rows: int = 0
    onlooker_faults: int = 0
    start_ns: int = 0
    _identities: dict[str, dict[str, Any]] = field(default_factory=dict)
    _links: dict[str, dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.start_ns = self.clock.now_ns()

    def received(
        self, clock_ns: int, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind = "notification"
    ) -> None:
        if self.open:
            self.received_rows += 1
            self.sender.payload(clock_ns, (sensor, characteristic, _kind(row_kind)), payload)

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        if not self.open:
            return
        if sensor is not None and event == Event.LINK_FOUND:
            self._links[sensor] = detail
        elif sensor is not None and event == Event.LINK_LOST:
            self._links.pop(sensor, None)
        now_ns = self.clock.now_ns()
        self.sender.happened(now_ns, event, sensor, detail)
        try:
            self.onlooker(Row(now_ns - self.start_ns, "event", sensor, event=event, detail=detail), {})
        except Exception:  # noqa: BLE001 - a fault of what is shown must not cost a row
            self.onlooker_faults += 1

    def identified(self, sensor: str, identity: Identity) -> None:
        said = {key: value for key, value in identity.as_dict().items() if value is not None}
        self._identities[sensor] = said
        if self.open:
            self.sender.happened(self.clock.now_ns(), Event.IDENTIFIED, sensor, said)

    def tell_again(self) -> None:
        """To a recorder that has not heard it: which links there are, and who the sensors are."""
        now_ns = self.clock.now_ns()
        for sensor, detail in self._links.items():
            self.sender.happened(now_ns, Event.LINK_FOUND, sensor, detail)
        for sensor, said in self._identities.items():
            self.sender.happened(now_ns, Event.IDENTIFIED, sensor, said)


def _kind(row_kind: RowKind) -> Kind:
    return row_kind if row_kind in ("indication", "read", "write") else "notification"
