"""What a scan found, as lines for a person, as JSON, and as a bench file to start from."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.safe_text import safe_path
from recorder.errors import FolderUnusable
from recorder.scan import Seen, starter_bench

_SERVICE_WORDS = {
    "1818": "power",
    "1816": "speed and cadence",
    "1826": "fitness machine",
    "180f": "battery",
    "181a": "environment",
    "180a": "device information",
}


def in_words(seen: list[Seen]) -> str:
    """One line per sensor; where there is none, the likely causes."""
    if not seen:
        return (
            "no sensor seen. Sensors sleep until somebody pedals; one that is connected elsewhere does not show; "
            "and it may be out of range."
        )
    return "\n".join(_line(one) for one in seen)


def _line(one: Seen) -> str:
    strength = "connected to this computer" if one.rssi_dbm is None else f"{one.rssi_dbm} dBm"
    offers = ", ".join(_SERVICE_WORDS.get(service, service) for service in one.services)
    return f"{one.address}  {one.name or '(no name)':<24}  {strength:<10}  {offers}".rstrip()


def as_dict(one: Seen) -> dict[str, Any]:
    return asdict(one)


def require_free_place(path: Path) -> None:
    """Asked before listening, so that nobody waits for a file that is then not written.

    :raises FolderUnusable: where the file exists already or its folder does not.
    """
    if path.exists() or path.is_symlink():
        raise FolderUnusable(f"{safe_path(path)} exists already and is not overwritten; give another name.")
    if not path.parent.is_dir():
        raise FolderUnusable(f"{safe_path(path)} cannot be written (no such folder); give another place.")


def write_starter_bench(path: Path, seen: list[Seen]) -> None:
    """:raises FolderUnusable: where the file exists already or cannot be written."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(starter_bench(seen))
    except FileExistsError as error:
        raise FolderUnusable(
            f"{safe_path(path)} exists already and is not overwritten; give another name."
        ) from error
    except OSError as error:
        raise FolderUnusable(
            f"{safe_path(path)} cannot be written ({error.strerror}); give another place."
        ) from error
