"""Which ride file belongs to which meter of the bench: as stated, by serial, or by the one name that fits."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.bench_file import Bench, Meter, meter_streams
from analysis.errors import BadInput
from analysis.ride_files.csv_mapping import CsvMapping, parse_mapping
from analysis.ride_files.opening import read_ride_file
from analysis.ride_files.ride_file import Keep, RideFile
from analysis.safe_text import safe_text

MOST_FILES = 32


@dataclass(frozen=True)
class GivenFile:
    """One argument. `sensor` is None where it was not stated."""

    path: Path
    sensor: str | None = None


def given_files(arguments: Sequence[str], bench: Bench) -> tuple[GivenFile, ...]:
    """`FILE` or `NAME=FILE`; a name that is none of the bench's may be part of a path.

    :raises BadInput: for a name that is neither.
    """
    if len(arguments) > MOST_FILES:
        raise BadInput(f"{len(arguments)} files are more than one ride has; {MOST_FILES} can be imported at once")
    return tuple(_given(argument, bench) for argument in arguments)


def _given(argument: str, bench: Bench) -> GivenFile:
    name, equals, path = argument.partition("=")
    if not equals:
        return GivenFile(Path(argument))
    if name in bench.stream_names:
        return GivenFile(Path(path), name)
    two_radios = next((m for m in bench.meter if m.name == name and m.addresses), None)
    if two_radios is not None:
        first, second = meter_streams(two_radios)
        raise BadInput(f"{name} has two radios in the bench file; give {first}=FILE and {second}=FILE")
    if Path(argument).is_file():
        return GivenFile(Path(argument))
    raise BadInput(f"there is nothing named `{safe_text(name, 40)}` on the bench; there are {_names(bench)}")


def mappings_of(texts: Iterable[str], bench: Bench) -> dict[str | None, CsvMapping]:
    """Of each `--csv`: `NAME:mapping` for one sensor's table, else for all (key None).

    :raises BadInput: for a mapping that is none, or a second one for the same tables.
    """
    found: dict[str | None, CsvMapping] = {}
    for text in texts:
        name, colon, rest = text.partition(":")
        own = colon and name in bench.stream_names
        key = name if own else None
        if key in found:
            raise BadInput(f"--csv is given twice for {key or 'all tables'}; give NAME:mapping for each")
        found[key] = parse_mapping(rest if own else text)
    return found


def read_files(
    given: Sequence[GivenFile], bench: Bench, mappings: Mapping[str | None, CsvMapping], keep: Keep
) -> dict[str, RideFile]:
    """By stream, in the order of the bench.

    :raises BadInput: where a file cannot be read, belongs to nobody or to two, or two to the same.
    """
    found: dict[str, RideFile] = {}
    taken = [g.sensor for g in given if g.sensor is not None]
    twice = next((name for name in taken if taken.count(name) > 1), None)
    if twice is not None:
        raise BadInput(f"two files are given for {twice}; one file holds the whole ride of one meter")
    for file in sorted(given, key=lambda g: g.sensor is None):
        mapping = mappings.get(file.sensor, mappings.get(None))
        ride = read_ride_file(file.path, mapping=mapping, keep=keep)
        sensor = file.sensor or _owner(ride, bench, [*taken, *found])
        _refuse_without_power(sensor, ride, bench)
        for other, known in found.items():
            if known.sha256 == ride.sha256:
                raise BadInput(f"{other} and {sensor} are given the same file; a file holds the power of one meter")
        found[sensor] = ride
    return {name: found[name] for name in bench.stream_names if name in found}


def _refuse_without_power(sensor: str, ride: RideFile, bench: Bench) -> None:
    if not ride.has_power and any(sensor in meter_streams(m) for m in bench.meter):
        raise BadInput(
            f"{ride.name} holds no power, and {sensor} is a power meter; export the ride with its power, or give the "
            "file of the device that recorded it"
        )


def _owner(ride: RideFile, bench: Bench, taken: Sequence[str]) -> str:
    free = [name for name in bench.stream_names if name not in taken]
    by_serial = [m.name for m in bench.meter if m.name in free and ride.meter.serial in _serials(m)]
    words = set(re.split(r"[^\w]+|_", ride.name.lower()))
    by_name = [name for name in free if name.lower() in words]
    for fitting in (by_serial, by_name):
        if len(fitting) == 1:
            return fitting[0]
    named = next((name for name in taken if name.lower() in words), None)
    if named is not None:
        raise BadInput(
            f"{ride.name} is named after {named}, for which another file is given; one file holds the whole ride of "
            f"one meter. If it is of another meter, say so with NAME={ride.name}"
        )
    told = f" (its power comes from a meter with the serial {ride.meter.serial})" if ride.meter.serial else ""
    raise BadInput(
        f"whose ride is in {ride.name}{told} is not clear; say so with NAME={ride.name}, NAME one of "
        f"{', '.join(free) or _names(bench)}"
    )


def _serials(meter: Meter) -> set[str | None]:
    return {meter.serial, meter.match.serial if meter.match is not None else None} - {None}


def _names(bench: Bench) -> str:
    return ", ".join(bench.stream_names)
