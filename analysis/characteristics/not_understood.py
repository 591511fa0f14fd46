"""The one error of the decoders: these bytes are not what the standard says they should be."""

from __future__ import annotations

from analysis.errors import WattproofError


class NotUnderstood(WattproofError, ValueError):
    """Bytes that cannot be decoded; `reason` is a short phrase that fits an event row."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason
