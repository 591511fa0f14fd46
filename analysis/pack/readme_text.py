"""The README of a pack: what each file is, how to check it, how to compute it again, and what a difference means."""

from __future__ import annotations

import shlex
from importlib.resources import files
from string import Template

from analysis.pack.manifest import MANIFEST
from analysis.pack.pieces import PIECE, PIECES
from analysis.pack.terms import Terms

_AMENDED = "\nrecording/*.amend.toml\n  What was changed about the segments after the ride, with reasons.\n"
_ORIGINALS = "\noriginals/\n  The files of other devices that the recording was made from.\n"


def readme_text(terms: Terms) -> bytes:
    text = Template(files("analysis.pack").joinpath("readme.txt").read_text(encoding="utf-8"))
    asked = terms.reference_asked
    return text.substitute(
        product=terms.product_version,
        decoder=terms.decoder_version,
        versions="\n".join(f"  {name:<10}{version}" for name, version in terms.made_with.items()),
        libraries=" ".join(f"{n}=={v}" for n, v in terms.made_with.items() if n != "python"),
        recording=terms.recording,
        reference=f" --reference {shlex.quote(asked)}" if asked else "",
        also=(_AMENDED if terms.amendments else "") + (_ORIGINALS if terms.originals else ""),
        piece=PIECE,
        pieces=PIECES,
        manifest=MANIFEST,
    ).encode()
