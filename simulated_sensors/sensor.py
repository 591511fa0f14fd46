"""The seam between a simulated sensor (what it says and when) and the radio that carries it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Packet:
    """A notification due `at_s` seconds after the start of the ride."""

    at_s: float
    characteristic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class LinkChange:
    """The sensor leaves (`up` False) or re-enters radio range at `at_s`; a lost link is noticed by supervision."""

    at_s: float
    up: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """A control-point indication sent `after_s` after the write; the write itself always succeeds.

    `also`: notifications that follow it, each with its characteristic.
    """

    after_s: float
    payload: bytes
    also: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class Refusal:
    """The write is refused with this ATT error code (0xFD indications off, 0xFE busy, 0x80 application)."""

    att_error: int


class SimulatedSensor(Protocol):
    """What the radio needs to know of a sensor. Characteristics are four lower-case hex digits."""

    name: str  # advertised local name
    address: str  # "F0:00:00:00:00:01", random static
    service_uuids: Sequence[str]  # advertised, e.g. ("1818", "180f")
    services: Mapping[str, Sequence[str]]  # service -> its characteristics, e.g. {"1818": ("2a63", "2a65", ...)}

    def read(self, characteristic: str) -> bytes:
        """Present value of a readable characteristic (2a65, 2a5d, 2a19, 2a24, ...)."""

    def schedule(self) -> Iterator[Packet | LinkChange]:
        """All that the sensor does from the start of the ride on, in order of time; may be endless."""

    def write(self, characteristic: str, request: bytes, ride_s: float) -> Answer | Refusal | None:
        """A control-point request at `ride_s`; None: accepted and never answered."""
