"""The bench file: which meters are mounted where, what their makers claim, and the drivetrain between them."""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from analysis.bench_relays import Relay, relay_contradictions
from analysis.errors import BadBenchFile
from analysis.safe_text import safe_text
from analysis.toml_file import TomlTable, convert_table, parse_toml, read_toml

Place = Literal["pedals", "crank", "spider", "chainring", "hub", "trainer"]
Sides = Literal["both", "inferred", "left", "right", "total"]
BEHIND_CHAIN: frozenset[str] = frozenset({"hub", "trainer"})

Name = Annotated[str, Meta(min_length=1, max_length=32)]
Text = Annotated[str, Meta(max_length=200)]
Pct = Annotated[float, Meta(ge=0, le=50)]
Mass = Annotated[float, Meta(ge=0, le=50_000)]
_ADDRESS = re.compile(r"(?:[0-9A-F]{2}:){5}[0-9A-F]{2}|[0-9A-F]{8}(?:-[0-9A-F]{4}){3}-[0-9A-F]{12}", re.IGNORECASE)


class Part(TomlTable, frozen=True, kw_only=True):
    """Something mounted with a meter; `price` is in `currency`."""

    name: Text
    mass_g: Mass | None = None
    claimed_mass_g: Mass | None = None
    price: Annotated[float, Meta(ge=0, le=1e6)] | None = None
    currency: Annotated[str, Meta(pattern="^[A-Z]{3}$")] | None = None
    tightening_nm: Annotated[float, Meta(ge=0, le=200)] | None = None


class Match(TomlTable, frozen=True, kw_only=True):
    """How to know a sensor whose address is not stated."""

    name: Text | None = None
    serial: Text | None = None


class _Radio(TomlTable, frozen=True, kw_only=True):
    name: Name
    address: str | None = None
    match: Match | None = None


class Meter(_Radio, frozen=True, kw_only=True):
    """A device under comparison. `claim_pct` is the maker's stated accuracy, read as a 95 % limit."""

    place: Place
    sides: Sides | None = None
    claim_pct: Pct | None = None
    addresses: tuple[str, ...] = ()
    combine: Literal["sum"] | None = None
    unit: Text | None = None
    serial: Text | None = None
    model: Text | None = None
    expected_firmware: Text | None = None
    auto_zero: Literal["yes", "no", "unknown"] = "unknown"
    crank_length_mm: Annotated[float, Meta(ge=100, le=250)] | None = None
    claimed_battery_h: Annotated[float, Meta(gt=0, le=100_000)] | None = None
    temperature_min_c: Annotated[float, Meta(ge=-60, le=80)] | None = None
    temperature_max_c: Annotated[float, Meta(ge=-60, le=80)] | None = None
    mounted: datetime.date | None = None
    parts: tuple[Part, ...] = ()

    @property
    def behind_chain(self) -> bool:
        return self.place in BEHIND_CHAIN


class Sensor(_Radio, frozen=True, kw_only=True):
    """Records along, is not judged."""

    kind: Literal["cadence", "temperature"]


class Drivetrain(TomlTable, frozen=True, kw_only=True):
    """Loss between crank and trainer. The prior for an unstated loss is 2.5 ± 1 %."""

    id: Text | None = None
    loss_pct: Pct = 2.5
    loss_sd_pct: Pct = 1.0
    drag_nm: Annotated[float, Meta(ge=0, le=10)] = 0.0
    drag_sd_nm: Annotated[float, Meta(ge=0, le=10)] = 0.0
    chain: Text | None = None
    lubrication: Text | None = None


class _BenchTable(TomlTable, frozen=True, kw_only=True):
    name: Name
    reference: Name | None = None
    floor_w: Annotated[float, Meta(ge=0, le=50)] = 2.0


class Bench(TomlTable, frozen=True, kw_only=True):
    """A whole bench file. `meter` and `sensor` are named as in the file."""

    bench: _BenchTable
    drivetrain: Drivetrain = Drivetrain()
    meter: tuple[Meter, ...] = ()
    sensor: tuple[Sensor, ...] = ()
    relay: tuple[Relay, ...] = ()

    @property
    def reference(self) -> Meter | None:
        """The meter chosen to compare against: the one named, else the first in front of the chain."""
        if self.bench.reference is not None:
            return next(m for m in self.meter if m.name == self.bench.reference)
        return next((m for m in self.meter if not m.behind_chain), self.meter[0] if self.meter else None)

    @property
    def stream_names(self) -> tuple[str, ...]:
        """Every stream that a recording of this bench holds: `Alder`, or `Alder/1`, `Alder/2` for two radios."""
        meters = tuple(name for m in self.meter for name in meter_streams(m))
        return meters + tuple(s.name for s in self.sensor)

    @property
    def relayed(self) -> dict[str, str]:
        """The relay of each stream that is reached by one."""
        of = {name: relay.name for relay in self.relay for name in relay.sensors}
        streams = {name: of[m.name] for m in self.meter if m.name in of for name in meter_streams(m)}
        return streams | {s.name: of[s.name] for s in self.sensor if s.name in of}

    def reached_by(self, relay: str | None) -> Bench:
        """Only what this relay reaches; None: what the recorder reaches by itself. It may be empty."""
        relayed = self.relayed
        return msgspec.structs.replace(
            self,
            meter=tuple(m for m in self.meter if relayed.get(meter_streams(m)[0]) == relay),
            sensor=tuple(s for s in self.sensor if relayed.get(s.name) == relay),
        )

    @property
    def public(self) -> Bench:
        """As it goes into a recording: without brokers, accounts and paths."""
        return msgspec.structs.replace(self, relay=tuple(relay.public for relay in self.relay))

    def as_dict(self) -> dict[str, Any]:
        """JSON-able, defaults left out; `bench_from_dict` gives the equal bench back."""
        built: dict[str, Any] = msgspec.to_builtins(self)
        return built


def meter_streams(meter: Meter) -> tuple[str, ...]:
    return tuple(f"{meter.name}/{i + 1}" for i in range(len(meter.addresses))) or (meter.name,)


def read_bench(path: Path) -> Bench:
    """:raises BadBenchFile: one sentence with file, place and remedy."""
    table, text = read_toml(path, BadBenchFile)
    return _checked(convert_table(table, Bench, str(path), text, BadBenchFile), str(path))


def parse_bench(data: bytes, name: str = "bench file") -> Bench:
    """As `read_bench`, from bytes in memory."""
    table, text = parse_toml(data, name, BadBenchFile)
    return _checked(convert_table(table, Bench, name, text, BadBenchFile), name)


def bench_from_dict(table: dict[str, Any], name: str = "bench in the recording") -> Bench:
    # JSON has no dates; msgspec reads them from strings only when not strict.
    try:
        return _checked(msgspec.convert(table, Bench, strict=False), name)
    except msgspec.ValidationError as fault:
        raise BadBenchFile(f"{name}: {safe_text(str(fault), 200)}.") from fault


def _checked(bench: Bench, name: str) -> Bench:
    for problem in _contradictions(bench):
        raise BadBenchFile(f"{safe_text(name, 200)}: {problem}")
    return bench


def _contradictions(bench: Bench) -> list[str]:
    names = [m.name for m in bench.meter] + [s.name for s in bench.sensor]
    found = [
        f"the name `{safe_text(n)}` is used {names.count(n)} times; names must differ."
        for n in dict.fromkeys(names)
        if names.count(n) > 1
    ]
    found += [
        f"the name `{safe_text(n)}` has characters that cannot be shown, or a slash."
        for n in names
        if safe_text(n, 32) != n or "/" in n
    ]
    if not names:
        found.append("it names no meter and no sensor; add a [[meter]] table.")
    if bench.bench.reference is not None and bench.bench.reference not in [m.name for m in bench.meter]:
        found.append(f"bench, reference: there is no meter named `{safe_text(bench.bench.reference)}`.")
    found += relay_contradictions(bench.relay, names)
    for number, meter in enumerate(bench.meter, 1):
        found += [f"meter {number} ({meter.name}): {words}" for words in _meter_contradictions(meter)]
    for number, sensor in enumerate(bench.sensor, 1):
        found += [f"sensor {number} ({sensor.name}): {words}" for words in _radio_contradictions(sensor)]
    addresses = [a.upper() for m in bench.meter for a in (*m.addresses, m.address) if a] + [
        s.address.upper() for s in bench.sensor if s.address
    ]
    found += [f"the address {a} is given more than once." for a in dict.fromkeys(addresses) if addresses.count(a) > 1]
    return found


def _meter_contradictions(meter: Meter) -> list[str]:
    found = []
    if meter.addresses:
        if meter.address is not None or meter.match is not None:
            found.append("give either `addresses` or one of `address` and `match`, not both.")
        if len(meter.addresses) != 2 or meter.combine != "sum":
            found.append('two radios need two `addresses` and combine = "sum".')
        found += [
            f"`{safe_text(a)}` is not a Bluetooth address." for a in meter.addresses if not _ADDRESS.fullmatch(a)
        ]
    else:
        if meter.combine is not None:
            found.append("`combine` needs two `addresses`.")
        found += _radio_contradictions(meter)
    low, high = meter.temperature_min_c, meter.temperature_max_c
    if low is not None and high is not None and low >= high:
        found.append("temperature_min_c is not below temperature_max_c.")
    if meter.behind_chain and meter.sides in ("left", "right"):
        found.append(f'a {meter.place} cannot measure one side only; use sides = "total".')
    return found


def _radio_contradictions(radio: _Radio) -> list[str]:
    if radio.address is not None and radio.match is not None:
        return ["give either `address` or `match`, not both."]
    if radio.address is not None:
        return (
            [] if _ADDRESS.fullmatch(radio.address) else [f"`{safe_text(radio.address)}` is not a Bluetooth address."]
        )
    if radio.match is None or (radio.match.name is None and radio.match.serial is None):
        return ["give its `address`, or `match` with a name or serial."]
    return []
