"""The command `wattproof pack`: a recording into an archive of evidence, or such an archive checked."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.errors import BadInput

if TYPE_CHECKING:
    from analysis.pack.packing import Packed

EXAMPLE = """example:
  wattproof pack 2026-11-25_0930_quayside-bench.parquet --ledger ledger
  wattproof pack imported.parquet --original head-unit.fit --original watch.fit
  wattproof pack --verify 2026-11-25_0930_quayside-bench.evidence.zip

exit status: 0 packed, or verified; 1 something differs, or could not be compared; 2 bad use or no pack
"""
_SHA256 = re.compile(r"[0-9a-f]{64}")


def pack(arguments: Sequence[str]) -> int:
    options = _options(arguments)
    if options.verify is not None:
        return _verify(options.verify, options.expect, as_json=options.json)

    from analysis.pack.packing import pack_recording

    packed = pack_recording(options.recording, options.out, options.reference, options.ledger, options.original)
    _print_packed(packed, as_json=options.json)
    return 0


def _options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="wattproof pack",
        description="Put a recording, its report, all figures and the usual objections, with what was recorded on "
        "each, into one archive that anybody can check and compute again. The same recording gives the same bytes.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("recording", metavar="RECORDING", type=Path, nargs="?", help="the Parquet file of a ride")
    parser.add_argument("--out", metavar="FILE", type=Path, help="where to; else RECORDING.evidence.zip beside it")
    parser.add_argument("--reference", metavar="NAME", help="compare against this meter instead of the bench file's")
    parser.add_argument("--ledger", metavar="DIR", help="take from this ledger what it says of the reference")
    parser.add_argument(
        "--original", metavar="FILE", type=Path, action="append", default=[],
        help="add a file that the recording was imported from; may be given several times",
    )  # fmt: skip
    parser.add_argument("--verify", metavar="ARCHIVE", type=Path, help="check a pack and compute all of it again")
    parser.add_argument("--expect", metavar="SHA256", help="with --verify: the archive's SHA-256 as it was published")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = parser.parse_args(arguments)
    if (options.recording is None) == (options.verify is None):
        parser.error("give either a recording or --verify with an archive")
    given = [options.out, options.reference, options.ledger, *options.original]
    if options.verify is not None and any(v is not None for v in given):
        parser.error("--verify takes nothing but --expect and --json")
    if options.expect is not None:
        if options.verify is None:
            parser.error("--expect goes with --verify")
        if not _SHA256.fullmatch(options.expect.lower()):
            parser.error("--expect takes a SHA-256: 64 digits 0 to 9, a to f")
    return options


def _verify(path: Path, expected: str | None, *, as_json: bool) -> int:
    from analysis.pack.archive_damage import NotAPack
    from analysis.pack.verified_words import verified_lines, verified_table
    from analysis.pack.verify import read_archive, verify
    from analysis.safe_text import safe_text

    try:
        found = verify(read_archive(path), None if expected is None else expected.lower())
    except NotAPack as fault:
        raise BadInput(f"{safe_text(str(path), 200)} cannot be verified: {fault}") from fault
    if as_json:
        print(json.dumps({"archive": str(path), **verified_table(found)}, indent=2))
    else:
        print("\n".join(verified_lines(found, str(path))))
    return 0 if found.verified else 1


def _print_packed(packed: Packed, *, as_json: bool) -> None:
    from analysis.pack.objection_text import tally_words
    from analysis.pack.objections import tally

    if as_json:
        table = {
            "pack": str(packed.path),
            "sha256": packed.sha256,
            "bytes": packed.size,
            "members": packed.members,
            "objections": tally(packed.objections),
        }
        print(json.dumps(table, indent=2))
        return
    print(f"wrote {packed.path}: {packed.members} files, {packed.size} bytes")
    print(f"{tally_words(packed.objections)}")
    for objection in packed.objections:
        if objection.word != "answered":
            print(f"  {objection.word:<9} {objection.objects}")
    print(f"SHA-256 {packed.sha256}")
    print("Publish it, or send it to the maker, on the day of the test: it pins every byte of the pack.")
