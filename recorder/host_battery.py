"""How full the battery of this computer is, as Linux tells it, and a companion that ends a ride in time."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from analysis.errors import BadInput
from recorder.companions import Riding

# Documentation/ABI/testing/sysfs-class-power of the Linux kernel: type, scope, capacity, status.
POWER_SUPPLIES = Path("/sys/class/power_supply")
LOOK_EVERY_S = 10.0
LOOKS = 2  # in a row, since gauges are known to jump
_ON_MAINS = ("Charging", "Full", "Not charging")


@dataclass(frozen=True)
class Charge:
    """Of several batteries the fullest one. A gauge that cannot tell whether it is charged counts as falling."""

    pct: int
    falling: bool


def host_charge(supplies: Path = POWER_SUPPLIES) -> Charge | None:
    """None where there is no battery, or none that can be read. Batteries of mice and the like do not count."""
    found = [charge for supply in _entries(supplies) if (charge := _charge_of(supply)) is not None]
    if not found:
        return None
    return Charge(max(charge.pct for charge in found), all(charge.falling for charge in found))


def require_battery(supplies: Path = POWER_SUPPLIES) -> None:
    """:raises BadInput: where a low battery could never be noticed."""
    if host_charge(supplies) is None:
        raise BadInput(f"this computer tells of no battery in {supplies}; leave --stop-on-battery out.")


@dataclass
class BatteryStop:
    """A companion: ends the ride once the battery is at `stop_pct` and falling."""

    stop_pct: int
    supplies: Path = POWER_SUPPLIES
    every_s: float = LOOK_EVERY_S

    @asynccontextmanager
    async def beside(self, riding: Riding) -> AsyncIterator[None]:
        watching = asyncio.create_task(self._watch(riding))
        try:
            yield
        finally:
            watching.cancel()
            with suppress(asyncio.CancelledError):
                await watching

    async def _watch(self, riding: Riding) -> None:
        low = 0
        while low < LOOKS:
            await asyncio.sleep(self.every_s)
            # In a thread: asking a gauge can take its time, and packets are stamped in this one.
            charge = await asyncio.to_thread(host_charge, self.supplies)
            low = low + 1 if charge is not None and charge.falling and charge.pct <= self.stop_pct else 0
        riding.run.stop(f"battery of this computer at {self.stop_pct} % or less")


def _entries(supplies: Path) -> list[Path]:
    try:
        return sorted(supplies.iterdir())
    except OSError:
        return []


def _charge_of(supply: Path) -> Charge | None:
    if _word(supply / "type") != "Battery" or _word(supply / "scope") == "Device":
        return None
    capacity = _word(supply / "capacity")
    if not capacity.isdecimal() or int(capacity) > 100:
        return None
    return Charge(int(capacity), _word(supply / "status") not in _ON_MAINS)


def _word(file: Path) -> str:
    try:
        with file.open("rb") as opened:
            return opened.read(64).decode("ascii", "replace").strip()
    except OSError:
        return ""
