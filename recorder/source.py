"""The seam between what delivers notifications (radio, relay, replay) and what records them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from analysis.rows import RowKind

if TYPE_CHECKING:
    from recorder.zero_offset import ZeroOffsetAnswer


@dataclass(frozen=True)
class Identity:
    """What a sensor says of itself; None where it does not say."""

    address: str | None = None
    name: str | None = None
    manufacturer: str | None = None
    model: str | None = None
    serial: str | None = None
    hardware_revision: str | None = None
    firmware_revision: str | None = None
    software_revision: str | None = None
    battery_pct: int | None = None
    location: str | None = None
    crank_length_mm: float | None = None
    feature_bits: int | None = None

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


class RecordSink(Protocol):
    """Where a source puts what it receives. Never blocks, never raises into the source."""

    def received(
        self,
        clock_ns: int,
        sensor: str,
        characteristic: str,
        payload: bytes,
        row_kind: RowKind = "notification",
    ) -> None:
        """One payload. `clock_ns` is `HostClock.now_ns()` read on the first line of the callback."""

    def happened(self, event: str, sensor: str | None = None, **detail: Any) -> None:
        """Something worth a row (names in `analysis.rows.Event`); stamped by the sink."""

    def identified(self, sensor: str, identity: Identity) -> None:
        """What was read from a newly connected sensor; the latest one counts."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a relayed row came from: the relay's clock, and its own number of the row."""

    clock_ns: int
    seq: int


@runtime_checkable
class RelayedSink(RecordSink, Protocol):
    """A sink that takes rows stamped elsewhere, and says when they are safe. `clock_ns` is on its own clock."""

    start_ns: int

    def relayed(
        self, clock_ns: int, origin: Origin, sensor: str, characteristic: str, payload: bytes, row_kind: RowKind
    ) -> None:
        """As `received`."""

    def relayed_event(
        self, clock_ns: int, origin: Origin, event: str, sensor: str | None, detail: Mapping[str, Any]
    ) -> None:
        """As `happened`, or as `identified` where that is the event."""

    def written(self) -> int:
        """How many records were written so far."""

    def safe(self) -> int:
        """How many of these, counted from the first, are on the disk or will never be."""


class NotificationSource(Protocol):
    """A bundle of sensors that can be listened to."""

    async def check(self) -> None:
        """Raise `NoBluetooth` (or a like error) at once where nothing can ever be received."""

    async def run(self, sink: RecordSink) -> None:
        """Reach every sensor, keep it, bring it back; until cancelled."""

    async def close(self) -> None:
        """Let every sensor go, bounded in time; never raises."""

    def live(self) -> frozenset[str]:
        """Names of the sensors from which data has come on the present link."""


@dataclass(frozen=True)
class NotHere:
    """Rows from before the end of a recording that did not come. `count`: of those that are known of.

    `since_ns`: of the recorder's clock; None where nothing ever came.
    """

    relay: str
    since_ns: int | None
    count: int
    words: str


@runtime_checkable
class ComesLate(Protocol):
    """A source whose rows come by a way that may hold them up. The recording is over once `ending` is called."""

    def ending(self) -> None:
        """From now on only what is from before is waited for."""

    def still_to_come(self) -> str:
        """In words, from whom; empty where all is here, or where there is nobody to wait for."""

    def not_here(self) -> tuple[NotHere, ...]:
        """What the recording has to do without, if it ends now."""


@runtime_checkable
class FindsZero(Protocol):
    """A source whose sensors can be asked for their zero offset."""

    async def zero_offset(self, sensor: str) -> ZeroOffsetAnswer:
        """What came of it, in words, whatever happened. Never raises."""


@runtime_checkable
class SetsResistance(Protocol):
    """A source with trainers whose load can be set."""

    def live(self) -> frozenset[str]:
        """As `NotificationSource.live`."""

    async def trainer_values(self, sensor: str) -> dict[str, bytes] | str:
        """What it says it can be set to, by characteristic; in words where nothing can be set. Never raises."""

    async def ask_trainer(self, sensor: str, request: bytes, timeout_s: float) -> str:
        """Empty where the trainer has done it, else what went wrong. Never raises but when cancelled."""
