"""What a pack was made with and from: versions, the reference asked for, the ledger's word on it, the original files.

These are the inputs besides the recording. They cannot be computed again, so the pack keeps them in `pack.json`.
"""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Literal

import msgspec

from analysis.characteristics.registry import DECODER_VERSION
from analysis.errors import BadInput
from analysis.safe_text import safe_text
from analysis.version import product_version

# What figures, tables and pages depend on.
_LIBRARIES = ("numpy", "scipy", "pyarrow", "jinja2", "msgspec")


class LedgerStanding(msgspec.Struct, frozen=True, kw_only=True):
    """What a ledger says of the unit that was the reference, at the time of packing."""

    unit: str
    rides: int
    sessions: int
    fit: bool
    claim_pct: float
    claim_assumed: bool
    partner: str | None = None
    reproducibility_sd_pct: float | None = None
    upper_sd_pct: float | None = None
    why_not: str = ""


class OriginalFile(msgspec.Struct, frozen=True, kw_only=True):
    """A file of another device that the recording was imported from; `sensor` is whose record names its SHA-256."""

    member: str
    name: str
    sha256: str
    sensor: str


class Terms(msgspec.Struct, frozen=True, kw_only=True):
    """`recording` and `amendments` are names of members."""

    wattproof_pack: Literal[1] = 1
    product_version: str
    decoder_version: int
    made_with: dict[str, str]
    recording: str
    amendments: str | None = None
    reference_asked: str | None = None
    standing: LedgerStanding | None = None
    ledger_asked: bool = False
    originals: tuple[OriginalFile, ...] = ()

    def to_json(self) -> bytes:
        return msgspec.json.format(msgspec.json.encode(self), indent=2) + b"\n"

    @property
    def of_this_version(self) -> bool:
        return (self.product_version, self.decoder_version) == (product_version(), DECODER_VERSION)


def terms_from_json(data: bytes) -> Terms:
    """:raises BadInput: one sentence, also for a pack of a newer kind."""
    try:
        return msgspec.json.decode(data, type=Terms)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as fault:
        raise BadInput(f"its pack.json cannot be read ({safe_text(str(fault), 120)})") from fault


def made_with() -> dict[str, str]:
    """Python and the libraries, as installed here."""
    return {"python": platform.python_version(), **{name: _version(name) for name in _LIBRARIES}}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not known"


def as_table(terms: Terms) -> dict[str, Any]:
    built: dict[str, Any] = msgspec.to_builtins(terms)
    return built
