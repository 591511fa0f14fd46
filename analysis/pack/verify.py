"""Checks a pack: every byte of the archive, every decoded value, every figure, table and page; says what differs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.errors import BadInput, WattproofError
from analysis.pack.archive_damage import Damage, NotAPack, Opened, open_archive
from analysis.pack.compared import MISSING, Difference, differences
from analysis.pack.manifest import MANIFEST
from analysis.pack.members import TERMS, WORDED, Made, amendments_member, known_name, made_pack
from analysis.pack.objection import Word
from analysis.pack.objections import tally
from analysis.pack.original_files import wrong_originals
from analysis.pack.parquet_place import parquet_place
from analysis.pack.pieces import PIECES
from analysis.pack.row_check import RowCheck, WrongValue
from analysis.pack.terms import Terms, terms_from_json
from analysis.recording_reader import Recording
from analysis.safe_text import safe_text

LARGEST_BYTES = 1 << 30
MOST_TOLD = 200
MOST_ROWS, LARGEST_UNPACKED = 20_000_000, 1 << 32


@dataclass(frozen=True)
class Verified:
    """`terms` and `rows` are None where the pack was too damaged to compute anything again.

    `differences` and `wrong_values` hold the first few, the counts all; `older_decoder`: that stored values differ is
    to be expected. `notes`: what could not be checked, and why.
    """

    sha256: str
    expected_sha256: str | None
    terms: Terms | None
    damages: tuple[Damage, ...]
    rows: RowCheck | None
    wrong_values: tuple[WrongValue, ...]
    wrong_value_count: int
    older_decoder: bool
    differences: tuple[Difference, ...]
    difference_count: int
    not_compared: tuple[str, ...]
    notes: tuple[str, ...]
    objections: Mapping[Word, int] | None

    @property
    def as_expected(self) -> bool:
        return self.expected_sha256 in (None, self.sha256)

    @property
    def verified(self) -> bool:
        """Everything was checked and is the same."""
        values_wrong = self.wrong_value_count > 0 and not self.older_decoder
        nothing_wrong = not (self.damages or values_wrong or self.difference_count or self.not_compared)
        return nothing_wrong and self.rows is not None and self.as_expected


def read_archive(path: Path) -> bytes:
    """:raises BadInput: where it cannot be read, or is larger than any pack."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as fault:
        raise BadInput(f"{safe_text(str(path), 200)} cannot be read: {fault.strerror}.") from fault
    if len(data) > LARGEST_BYTES:
        raise BadInput(f"{safe_text(str(path), 200)} is larger than 1 GiB, which no pack is.")
    return data


def verify(data: bytes, expected_sha256: str | None = None) -> Verified:
    """:raises NotAPack: for bytes that are no pack at all.
    :raises BadInput: for a pack of a newer kind.
    """
    opened = open_archive(data, known_name)
    damages = tuple(_placed(d, opened.members) for d in opened.damages)
    found = Verified(
        sha256=sha256(data).hexdigest(),
        expected_sha256=expected_sha256,
        terms=None,
        damages=damages,
        rows=None,
        wrong_values=(),
        wrong_value_count=0,
        older_decoder=False,
        differences=(),
        difference_count=0,
        not_compared=(),
        notes=(),
        objections=None,
    )
    if any(d.member == TERMS or (d.member or "").startswith(("recording/", "originals/")) for d in damages):
        return replace(found, notes=("Nothing was computed again, since what it would be computed from is damaged.",))
    return _computed_again(found, opened)


def _placed(damage: Damage, members: Mapping[str, bytes]) -> Damage:
    if damage.member is None or not damage.member.endswith(".parquet") or damage.where:
        return damage
    return replace(damage, where=parquet_place(members[damage.member], damage.offset))


def _computed_again(found: Verified, opened: Opened) -> Verified:
    members = opened.members
    if TERMS not in members:
        raise NotAPack(f"it has no {TERMS}, which every pack has")
    terms = terms_from_json(members[TERMS])
    named = {terms.recording, *([terms.amendments] if terms.amendments else ())}
    if not all(known_name(n) and n.startswith("recording/") and n in members for n in named):
        raise NotAPack("its pack.json names a recording that is not in it")
    if terms.amendments not in (None, amendments_member(terms.recording)):
        raise NotAPack("its pack.json names amendments of another recording")
    _refuse_giant(members[terms.recording])
    originals = {o.member: members[o.member] for o in terms.originals if o.member in members}
    found = replace(found, terms=terms)
    try:
        amendments = None if terms.amendments is None else members[terms.amendments]
        made = made_pack(terms, members[terms.recording], amendments, originals)
    except WattproofError as fault:
        return replace(found, notes=(f"Nothing could be computed again: {safe_text(str(fault), 300)}",))
    return _held_against(found, terms, members, made)


def _refuse_giant(recording: bytes) -> None:
    """A few bytes of Parquet can unpack into more than any memory holds."""
    try:
        metadata = pq.read_metadata(pa.BufferReader(recording))
        unpacked = sum(metadata.row_group(n).total_byte_size for n in range(metadata.num_row_groups))
    except (OSError, ValueError, pa.ArrowException):
        return  # the reader says what is wrong with it
    if metadata.num_rows > MOST_ROWS or unpacked > LARGEST_UNPACKED:
        raise NotAPack(
            f"its recording would unpack into {metadata.num_rows} rows and {unpacked} bytes, more than any ride"
        )


def _held_against(found: Verified, terms: Terms, members: Mapping[str, bytes], made: Made) -> Verified:
    worded = () if terms.of_this_version else tuple(n for n in made.members if WORDED.fullmatch(n))
    # These two follow from all others: where one of those differs, they would only tell it once more.
    skipped = {*worded, PIECES, MANIFEST}
    wrong: list[Difference] = []
    for name in dict.fromkeys([*made.members, *members]):
        if name in skipped:
            continue
        if name not in members or name not in made.members:
            sides = (MISSING, "a member") if name not in members else ("a member", MISSING)
            wrong.append(Difference(name, "the whole file", *sides))
        else:
            wrong += differences(name, members[name], made.members[name])
    wrong += [
        Difference(n, "the whole file", why, "")
        for n, why in wrong_originals(terms.originals, members, made.ride.metadata)
    ]
    if not wrong and not worded and list(members) != list(made.members):
        wrong.append(Difference(MANIFEST, "order of the files", ", ".join(members), ", ".join(made.members)))
    return replace(
        found,
        rows=made.rows,
        wrong_values=made.rows.wrong,
        wrong_value_count=made.rows.wrong_count,
        older_decoder=made.ride.decoded_again,
        differences=tuple(wrong[:MOST_TOLD]),
        difference_count=len(wrong),
        not_compared=worded,
        notes=tuple(_notes(terms, made.ride)),
        objections=tally(made.objections),
    )


def _notes(terms: Terms, ride: Recording) -> list[str]:
    notes = []
    if not terms.of_this_version:
        notes.append(
            f"Made by wattproof {safe_text(terms.product_version)} with decoder version {terms.decoder_version}, "
            "another than is installed here: figures may differ for that, and pages were not compared. Install that "
            "version to check all of it."
        )
    if ride.decoded_again:
        notes.append(
            f"Recorded with decoder version {ride.metadata.decoder_version}: that stored values differ from those "
            "decoded again may come from that."
        )
    if terms.standing is not None:
        notes.append("What the ledger said of the reference is taken from the pack: no ledger was asked again.")
    return notes
