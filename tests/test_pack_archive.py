"""The archive of a pack: others can open it, each changed byte is named, and what is no pack is refused."""

from __future__ import annotations

import io
import shutil
import stat
import subprocess
import warnings
import zipfile
from collections.abc import Mapping
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.pack.archive_damage import NotAPack, open_archive
from analysis.pack.archive_form import archive_bytes
from analysis.pack.manifest import MANIFEST, manifest_text
from analysis.pack.members import known_name
from analysis.pack.pieces import PIECE, PIECES, faults, piece_sums, pieces_text

CONTENTS = {"a.txt": b"words\n", "recording/ride.bin": Random(1).randbytes(3 * PIECE + 17), "empty": b""}


def whole(contents: Mapping[str, bytes]) -> dict[str, bytes]:
    """With the two lists that every pack has."""
    members = dict(contents)
    members[PIECES] = pieces_text(members)
    members[MANIFEST] = manifest_text(members)
    return members


MEMBERS = whole(CONTENTS)
ARCHIVE = archive_bytes(MEMBERS)


def known(name: str) -> bool:
    return name in MEMBERS


def test_another_program_opens_it() -> None:
    """zipfile of the standard library, and Info-ZIP's unzip where it is installed."""
    with zipfile.ZipFile(io.BytesIO(ARCHIVE)) as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == MEMBERS
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {stat.S_IMODE(info.external_attr >> 16) for info in archive.infolist()} == {0o644}
        assert {info.compress_type for info in archive.infolist()} == {zipfile.ZIP_STORED}


@pytest.mark.skipif(shutil.which("unzip") is None, reason="needs unzip (Debian: unzip)")
def test_unzip_and_sha256sum_agree(tmp_path: Path) -> None:
    (tmp_path / "pack.zip").write_bytes(ARCHIVE)
    tested = subprocess.run(["unzip", "-t", "pack.zip"], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert "No errors detected" in tested.stdout
    subprocess.run(["unzip", "-q", "pack.zip"], cwd=tmp_path, check=True)
    subprocess.run(["sha256sum", "-c", "--strict", MANIFEST], cwd=tmp_path, capture_output=True, check=True)


def test_opened_again_it_holds_what_was_put_in() -> None:
    opened = open_archive(ARCHIVE, known)
    assert opened.damages == ()
    assert list(opened.members.items()) == list(MEMBERS.items())


@given(
    st.dictionaries(st.from_regex(r"[a-z]{1,8}(/[a-z]{1,8})?", fullmatch=True), st.binary(max_size=300), max_size=5)
)
def test_any_contents_come_back(contents: dict[str, bytes]) -> None:
    members = whole(contents)
    opened = open_archive(archive_bytes(members), lambda _: True)
    assert opened.damages == ()
    assert opened.members == members


def test_every_single_changed_byte_is_found_and_named() -> None:
    """In contents, both lists, headers, directory and end; exactly one byte is blamed, and put right."""
    chance = Random(7)
    for at in range(len(ARCHIVE)):
        changed = bytearray(ARCHIVE)
        changed[at] ^= chance.randrange(1, 256)
        opened = open_archive(bytes(changed), known)
        told = [(d.archive_offset, d.length, d.found, d.was) for d in opened.damages]
        assert told == [(at, 1, changed[at], ARCHIVE[at])], at


def test_a_changed_byte_is_told_in_words() -> None:
    at = ARCHIVE.index(CONTENTS["recording/ride.bin"])
    for offset, words in (
        (at + 5, f"byte 5 of recording/ride.bin: 0x{ARCHIVE[at + 5] ^ 1:02x} instead of 0x{ARCHIVE[at + 5]:02x}"),
        (at - 30 - len("recording/ride.bin") + 8, "the header of recording/ride.bin, method"),
        (len(ARCHIVE) - 2, "the end of the directory, length of a comment"),
        (ARCHIVE.index(b"PK\x01\x02") + 38, "the directory entry of a.txt, external attributes"),
    ):
        changed = bytearray(ARCHIVE)
        changed[offset] ^= 1
        (damage,) = open_archive(bytes(changed), known).damages
        assert damage.words.startswith(words)
        assert damage.words.endswith(f"1 byte from {offset} of the archive on")


def test_a_longer_damage_is_told_by_its_piece() -> None:
    content = CONTENTS["recording/ride.bin"]
    changed = content[: PIECE + 3] + b"four" + content[PIECE + 7 :]
    (fault,) = faults(changed, piece_sums(content))
    assert (fault.offset, fault.length, fault.was) == (PIECE, PIECE, None)
    two = open_archive(ARCHIVE.replace(content, changed), known).damages
    assert [(d.member, d.offset, d.length) for d in two] == [("recording/ride.bin", PIECE, PIECE)]


@pytest.mark.parametrize("rest", [b"\0", b"hidden words", ARCHIVE])
def test_bytes_behind_the_end_are_told(rest: bytes) -> None:
    try:
        damages = open_archive(ARCHIVE + rest, known).damages
    except NotAPack:
        return
    assert any(d.where == "behind the end of the archive" for d in damages)


def test_a_comment_is_told() -> None:
    commented = bytearray(ARCHIVE)
    commented[-2:] = (5).to_bytes(2, "little")
    damages = open_archive(bytes(commented) + b"hello", known).damages
    assert {d.where for d in damages} == {
        "the end of the directory, length of a comment",
        "behind the end of the archive",
    }


def test_an_archive_cut_anywhere_is_no_pack_or_told_to_break_off() -> None:
    for length in range(0, len(ARCHIVE), 13):
        try:
            damages = open_archive(ARCHIVE[:length], known).damages
        except NotAPack:
            continue
        assert damages, length


def test_a_member_changed_with_its_checksums_but_not_the_lists_is_told() -> None:
    changed = {**MEMBERS, "a.txt": b"Words\n"}
    (damage,) = open_archive(archive_bytes(changed), known).damages
    assert (damage.member, damage.offset, damage.found, damage.was) == ("a.txt", 0, ord("W"), ord("w"))


def test_a_member_changed_with_the_manifest_but_not_the_pieces_is_told() -> None:
    changed = {**MEMBERS, "a.txt": b"Words\n"}
    changed[MANIFEST] = manifest_text({n: c for n, c in changed.items() if n != MANIFEST})
    assert {d.member for d in open_archive(archive_bytes(changed), known).damages} == {PIECES, MANIFEST}


def zipped(entries: list[tuple[str, bytes]], compression: int = zipfile.ZIP_STORED, mode: int = 0o100644) -> bytes:
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of doubled names
        with zipfile.ZipFile(out, "w", compression) as archive:
            for name, content in entries:
                info = zipfile.ZipInfo(name)
                info.external_attr, info.compress_type = mode << 16, compression
                archive.writestr(info, content)
    return out.getvalue()


ENTRIES = list(MEMBERS.items())


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "neither begins nor ends like one"),
        (b"bytes of something else", "neither begins nor ends like one"),
        (b"PK\x03\x04", "beginning and its end are damaged"),
        (archive_bytes({**whole({"../../outside": b"x"})}), "`../../outside`, which no pack does"),
        (archive_bytes({**whole({"/etc/passwd": b"x"})}), "`/etc/passwd`, which no pack does"),
        (archive_bytes({**whole({"recording/../x.parquet": b"x"})}), "`recording/../x.parquet`"),
        (archive_bytes({**whole({"C:\\x": b"x"})}), "which no pack does"),
        (archive_bytes({"extra.exe": b"x", **MEMBERS}), "`extra.exe`, which no pack does"),
        (zipped([("a.txt", b"one"), *ENTRIES]), "`a.txt` more than once"),
        (zipped(ENTRIES, zipfile.ZIP_DEFLATED), "was not written by `wattproof pack`"),
        (zipped([("a.txt", bytes(10_000_000)), *ENTRIES[1:]], zipfile.ZIP_DEFLATED), "was not written by"),
        (zipped(ENTRIES, mode=0o120777), "was not written by `wattproof pack`"),
        (archive_bytes({f"f{n}": b"" for n in range(300)}), "holds more than 200 members"),
        (archive_bytes(CONTENTS), "breaks off after empty, or is no archive"),
    ],
    ids=[
        "nothing", "rubbish", "mark only", "out of the folder", "from the root", "hidden way out", "drive letter",
        "extra", "doubled", "deflated", "bomb", "links", "too many", "no lists",
    ],
)  # fmt: skip
def test_what_is_no_pack_is_refused_in_a_sentence(data: bytes, words: str) -> None:
    with pytest.raises(NotAPack) as told:
        open_archive(data, lambda name: name in MEMBERS or known_name(name))
    assert words in str(told.value)
    assert "\n" not in str(told.value)


@given(st.binary(max_size=400), st.integers(0, len(ARCHIVE)), st.integers(0, 400))
def test_anything_at_all_is_opened_with_damages_or_refused(junk: bytes, at: int, cut: int) -> None:
    data = ARCHIVE[:at] + junk + ARCHIVE[at + cut :]
    try:
        opened = open_archive(data, known)
    except NotAPack:
        return
    assert opened.damages or data == ARCHIVE


@pytest.mark.parametrize(
    "name", ["../x", "recording/.hidden.parquet", "recording/a..parquet", "report/x.exe", "a b", ""]
)
def test_names_that_lead_elsewhere_are_not_known(name: str) -> None:
    assert not known_name(name)
