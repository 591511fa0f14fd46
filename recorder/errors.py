"""What can stop a recorder from starting or going on, each said in one sentence."""

from __future__ import annotations

from analysis.errors import WattproofError


class RecorderError(WattproofError):
    """Base of the recorder's own errors."""


class NoBluetooth(RecorderError):
    """No adapter, no service, or it is switched off."""


class FolderInUse(RecorderError):
    """Another recorder holds the folder."""


class FolderUnusable(RecorderError):
    """The folder cannot be written, or has too little space for a ride."""


class JournalDamaged(RecorderError):
    """A journal whose header cannot be read at all."""


class FinishFailed(RecorderError):
    """The Parquet file could not be made or did not read back equal; the journal is kept."""


class ImportFailed(RecorderError):
    """The recording made of ride files could not be written; nothing is left of it."""


class ControlUnusable(RecorderError):
    """The private folder through which screens reach a recorder is missing, or is not this user's alone."""


class NotRecording(RecorderError):
    """Nothing is being recorded into the folder, or what is lets no screen attach."""


class ScreenFailed(RecorderError):
    """The live screen came to an end by a fault of its own; the recording is none the worse."""
