"""The files of other devices that a recording was imported from, each held against the SHA-256 that it names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from hashlib import sha256
from pathlib import Path

from analysis.errors import BadInput
from analysis.pack.objection import listed
from analysis.pack.terms import OriginalFile
from analysis.recording_schema import Metadata
from analysis.ride_source import ride_sources
from analysis.safe_text import file_slug, safe_text

LARGEST_BYTES = 200 * 1024 * 1024
MOST_FILES = 50


def named_in(metadata: Metadata) -> dict[str, str]:
    """SHA-256 by stream, of every file the recording names as its source."""
    sources = {name: about.get("source") for name, about in metadata.sensors.items()}
    return {n: str(s["sha256"]) for n, s in sources.items() if isinstance(s, Mapping) and "sha256" in s}


def read_originals(paths: Sequence[Path], metadata: Metadata) -> tuple[tuple[OriginalFile, ...], dict[str, bytes]]:
    """The terms of each, and the contents by member.

    :raises BadInput: for a file that cannot be read, or that the recording does not name.
    """
    if len(paths) > MOST_FILES:
        raise BadInput(f"{len(paths)} original files are more than the {MOST_FILES} that a pack holds.")
    wanted = named_in(metadata)
    told: list[OriginalFile] = []
    contents: dict[str, bytes] = {}
    for number, path in enumerate(paths, 1):
        content = _content(path)
        digest = sha256(content).hexdigest()
        sensor = next((name for name, sha in wanted.items() if sha == digest), None)
        if sensor is None:
            files = (f"{source.file} ({name})" for name, source in ride_sources(metadata).items())
            named = listed(files) if wanted else "none: it was not imported"
            raise BadInput(
                f"{safe_text(str(path), 200)} is not a file that the recording was made from, by its SHA-256; the "
                f"recording names {named}."
            )
        if digest in (o.sha256 for o in told):
            continue
        member = f"originals/{number:02d}-{file_slug(path.name)}"
        told.append(OriginalFile(member=member, name=safe_text(path.name, 200), sha256=digest, sensor=sensor))
        contents[member] = content
    return tuple(told), contents


def wrong_originals(
    originals: Sequence[OriginalFile], members: Mapping[str, bytes], metadata: Metadata
) -> Iterator[tuple[str, str]]:
    """Member and what is wrong with it, of files in a pack."""
    wanted = named_in(metadata)
    for original in originals:
        digest = sha256(members.get(original.member, b"")).hexdigest()
        if wanted.get(original.sensor) != digest:
            yield original.member, f"not the file that the recording names for {safe_text(original.sensor)}"


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as fault:
        raise BadInput(f"{safe_text(str(path), 200)} cannot be read: {fault.strerror}.") from fault
    if len(content) > LARGEST_BYTES:
        raise BadInput(f"{safe_text(str(path), 200)} is larger than 200 MiB, too large for a pack.")
    return content
