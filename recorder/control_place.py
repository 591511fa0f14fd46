"""Where screens reach the recorder of a folder: a socket below the temp dir, in a folder of this user alone."""

from __future__ import annotations

import hashlib
import os
import socket
import stat
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from recorder.errors import ControlUnusable, NotRecording

_LONGEST_SOCKET_PATH = 100  # bytes; the systems allow 104 to 108


@dataclass(frozen=True)
class ControlPlace:
    """`socket_path`, or `port_path` on systems without such sockets: a file that holds a port and a token."""

    socket_path: Path
    port_path: Path
    has_sockets: bool


def control_place(recording_folder: Path, *, make: bool = False, base: Path | None = None) -> ControlPlace:
    """The place for that folder, the same for everybody who names it. `make`: make the private folder.

    :raises NotRecording: where the private folder is missing.
    :raises ControlUnusable: where it cannot be made, or another user could meddle with it.
    """
    private = private_folder(base or Path(tempfile.gettempdir()), make=make)
    name = hashlib.sha256(os.fsencode(recording_folder.resolve())).hexdigest()[:24]
    path = private / f"{name}.sock"
    has_sockets = hasattr(socket, "AF_UNIX") and len(os.fsencode(path)) <= _LONGEST_SOCKET_PATH
    return ControlPlace(path, private / f"{name}.port", has_sockets)


def private_folder(base: Path, *, make: bool) -> Path:
    """:raises NotRecording: where it is missing. :raises ControlUnusable: where it is not this user's alone."""
    folder = base / f"wattproof-{_user()}"
    try:
        if make:
            folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except FileNotFoundError as fault:
        raise NotRecording("nothing that a screen can attach to is being recorded on this computer") from fault
    except OSError as fault:
        raise ControlUnusable(f"{folder} cannot be used ({fault.strerror}): no screen can attach.") from fault
    if not stat.S_ISDIR(found.st_mode):
        raise ControlUnusable(f"{folder} is no folder: remove it, or no screen can attach.")
    if sys.platform != "win32" and (found.st_uid != os.getuid() or stat.S_IMODE(found.st_mode) & 0o077):
        raise ControlUnusable(f"{folder} is open to other users: remove it, or no screen can attach.")
    return folder


def _user() -> str:
    """A name for this user that is the same in all of his processes."""
    if sys.platform != "win32":
        return str(os.getuid())
    return hashlib.sha256(str(Path.home()).encode()).hexdigest()[:12]
