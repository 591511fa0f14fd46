"""The manifest of a pack: SHA-256 and name of every other member, as the ordinary `sha256sum -c` reads it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping

MANIFEST = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-f]{64})  (\S+)")


def manifest_text(members: Mapping[str, bytes]) -> bytes:
    """Order as given; the manifest itself is not among them."""
    return "".join(f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in members.items()).encode()


def read_manifest(text: bytes) -> dict[str, str]:
    """SHA-256 by name; a line that is none is left out."""
    lines = text.decode("utf-8", "replace").splitlines()
    return {m[2]: m[1] for line in lines if (m := _LINE.fullmatch(line)) is not None}
