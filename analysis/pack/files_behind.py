"""The ride files that a recording was imported from: whether they were read whole, and whether others can read them.

Says nothing of a recording that was made by radio.
"""

from __future__ import annotations

from collections.abc import Iterator

from analysis.pack.case import Case
from analysis.pack.objection import Finding, answered, listed, noted, still_open, weakness


def read_whole(case: Case) -> Iterator[Finding]:
    """A file that is cut short or fails its own checksum is no evidence of the rest of the ride."""
    for stream, source in case.sources.items():
        odd = "; ".join(source.remarks)
        if source.damaged:
            yield weakness(f"{stream}: from {source.file}: {odd}.")
            continue
        yield answered(f"{stream}: from {source.file}, read whole.")
        if odd:
            yield noted(f"{source.file}: {odd}.")


def files_here(case: Case) -> Iterator[Finding]:
    """What was read out of a file can be doubted only by whoever has the file."""
    packed = {original.sensor for original in case.terms.originals}
    missing = [source.file for stream, source in case.sources.items() if stream not in packed]
    if missing:
        they = "are" if len(missing) > 1 else "is"
        yield still_open(f"{listed(missing)} {they} not in this pack, only the SHA-256 by which to know the file.")
    elif case.sources:
        yield answered("The files of the other devices are in this pack, to be read with any program.")
