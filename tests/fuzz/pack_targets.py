"""Evidence packs from whoever: damaged archives, and sound archives whose members say something else."""

from __future__ import annotations

import functools
import io
import zipfile

from analysis.errors import WattproofError
from analysis.pack.archive_damage import open_archive
from analysis.pack.archive_form import archive_bytes
from analysis.pack.manifest import MANIFEST, manifest_text
from analysis.pack.members import known_name
from analysis.pack.packing import pack_recording
from analysis.pack.pieces import PIECES, pieces_text
from analysis.pack.verified_words import verified_lines, verified_table
from analysis.pack.verify import verify
from tests.fuzz.feed import Feed, as_pieces, emptied
from tests.fuzz.harmless import check_line
from tests.fuzz.recording_targets import short_ride
from tests.fuzz.targets import Target


def pack(data: bytes) -> None:
    """Any bytes as an archive; every damage in words."""
    try:
        found = open_archive(data, known_name)
    except WattproofError as fault:
        check_line(str(fault))
        return
    for damage in found.damages:
        check_line(damage.words)


def pack_members(data: bytes) -> None:
    """A whole pack in which one member is another: which one, and then its bytes."""
    members = dict(_members())
    for piece in Feed(data).pieces(3):
        feed = Feed(piece)
        name = list(members)[feed.number() % len(members)]
        members[name] = feed.rest()
    try:
        found = verify(_made_anew(members))
    except WattproofError as fault:
        check_line(str(fault))
        return
    verified_table(found)
    for line in verified_lines(found, "ride.zip"):
        check_line(line)


def _made_anew(members: dict[str, bytes]) -> bytes:
    contents = {name: content for name, content in members.items() if name not in (PIECES, MANIFEST)}
    contents[PIECES] = pieces_text(contents)
    contents[MANIFEST] = manifest_text(contents)
    return archive_bytes(contents)


@functools.cache
def _pack() -> bytes:
    folder = emptied("pack")
    recording = folder / "ride.parquet"
    recording.write_bytes(short_ride())
    return pack_recording(recording, folder / "ride.zip").path.read_bytes()


@functools.cache
def _members() -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(_pack())) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _small() -> bytes:
    return _made_anew({"bench.toml": b"[bench]\n", "pack.json": b"{}", "recording/ride.parquet": b"PAR1PAR1"})


def _changes() -> list[bytes]:
    names = list(_members())
    texts = [name for name in names if len(_members()[name]) < 8000 and not name.endswith(".parquet")]
    return [as_pieces(bytes([names.index(name)]) + _members()[name]) for name in texts]


TARGETS = (
    Target("pack", pack, lambda: [_small()], 1.0),
    Target("pack-members", pack_members, _changes, 300.0),
)
