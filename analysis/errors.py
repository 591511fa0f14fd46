"""The errors that reach a person, each as one sentence: what, where, what to do.

WattproofError                  base of all; the command line prints it and exits with 2
├── BadInput                    a file or argument given by the user cannot be used
│   ├── BadBenchFile, BadPlanFile
│   ├── BadRideFile                 a file of another device that holds no ride that can be read
│   └── BadRecording            not ours, damaged, or written by a newer version
└── (recorder.errors and simulated_sensors.errors add their own below WattproofError)
"""

from __future__ import annotations


class WattproofError(Exception):
    """Something a person must be told. The message is one sentence that names what, where and the remedy."""


class BadInput(WattproofError):
    """A file or argument given by the user cannot be used."""


class BadBenchFile(BadInput):
    """A bench file with unknown, missing or contradictory keys."""


class BadPlanFile(BadInput):
    """A plan file with unknown, missing or contradictory keys."""


class BadRecording(BadInput):
    """A recording that is damaged, foreign, or of a newer major schema version."""


class BadRideFile(BadInput):
    """A file recorded by another device that is damaged, foreign, or holds no ride."""
