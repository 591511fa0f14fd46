"""What goes wrong between a meter and its radio, as changes to a list of due packets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulated_sensors.seeded_noise import Floats
from simulated_sensors.sensor import LinkChange

_TOGETHER_S = 0.002  # between packets that were held up and come in one connection event


@dataclass(frozen=True)
class DropOut:
    """Out of radio range; the sensor goes on measuring and finds nobody to tell."""

    at_s: float
    seconds: float


@dataclass(frozen=True)
class Silence:
    """The link stands, and nothing is sent."""

    at_s: float
    seconds: float


@dataclass(frozen=True)
class Burst:
    """Packets are held up, and delivered together in their order when it ends."""

    at_s: float
    seconds: float


@dataclass(frozen=True)
class Duplicate:
    """Every packet comes twice, a few milliseconds apart."""

    at_s: float
    seconds: float


@dataclass(frozen=True)
class Malformed:
    """Packets are cut, emptied or overwritten."""

    at_s: float
    seconds: float


@dataclass(frozen=True)
class CounterReset:
    """The unit restarts: silent for `seconds`, then counters, torque and its clock begin at zero."""

    at_s: float
    seconds: float = 2.0


@dataclass(frozen=True)
class SkippedSamples:
    """Each packet fails to be sent with this probability."""

    at_s: float
    seconds: float
    share: float = 0.3


Fault = DropOut | Silence | Burst | Duplicate | Malformed | CounterReset | SkippedSamples


@dataclass(frozen=True, eq=False)
class Deliveries:
    """Packets in the order in which they go out; `item` tells whoever made the list what each one holds."""

    at_s: Floats
    item: NDArray[np.int64]
    spoiled: NDArray[np.bool_]

    @classmethod
    def faultless(cls, at_s: Floats) -> Deliveries:
        order = np.argsort(at_s, kind="stable")
        return cls(at_s[order], order, np.zeros(at_s.size, bool))

    def _in_order(self) -> Deliveries:
        return self._taking(np.argsort(self.at_s, kind="stable"))

    def _taking(self, which: NDArray[np.int64] | NDArray[np.bool_]) -> Deliveries:
        return Deliveries(self.at_s[which], self.item[which], self.spoiled[which])


def with_faults(deliveries: Deliveries, faults: Sequence[Fault], rng: np.random.Generator) -> Deliveries:
    """The same list with every fault applied, in the order given."""
    for fault in faults:
        deliveries = _with_fault(deliveries, fault, rng)
    return deliveries


def _with_fault(due: Deliveries, fault: Fault, rng: np.random.Generator) -> Deliveries:
    end_s = fault.at_s + fault.seconds
    hit = (due.at_s >= fault.at_s) & (due.at_s < end_s)
    match fault:
        case Silence() | CounterReset():
            return due._taking(~hit)
        case SkippedSamples():
            return due._taking(~(hit & (rng.uniform(size=hit.size) < fault.share)))
        case Malformed():
            return replace(due, spoiled=due.spoiled | hit)
        case Burst():
            together_s = np.where(hit, end_s + _TOGETHER_S * np.cumsum(hit), due.at_s)
            return replace(due, at_s=together_s)._in_order()
        case Duplicate():
            again = due._taking(hit)
            return Deliveries(
                np.concatenate((due.at_s, again.at_s + rng.uniform(0.001, 0.008, again.at_s.size))),
                np.concatenate((due.item, again.item)),
                np.concatenate((due.spoiled, again.spoiled)),
            )._in_order()
        case DropOut():
            return due  # what falls into it is lost by the radio, not by the sensor


def link_changes(faults: Sequence[Fault]) -> list[LinkChange]:
    """The comings and goings of all drop-outs, in order of time."""
    outs = [fault for fault in faults if isinstance(fault, DropOut)]
    changes = [LinkChange(out.at_s, up=False) for out in outs]
    changes += [LinkChange(out.at_s + out.seconds, up=True) for out in outs]
    return sorted(changes, key=lambda change: change.at_s)


def spoiled_payload(payload: bytes, rng: np.random.Generator) -> bytes:
    """One of several kinds of rubbish: nothing, one byte, cut short, all bits set, far too long."""
    match int(rng.integers(5)):
        case 0:
            return b""
        case 1:
            return payload[:1]
        case 2:
            return payload[: max(1, len(payload) // 2)]
        case 3:
            return b"\xff" * 20
        case _:
            return rng.bytes(200)
