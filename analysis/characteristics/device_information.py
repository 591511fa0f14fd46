"""What a sensor says of its make and versions (2a24 to 2a29), made harmless for screens and files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from analysis.safe_text import safe_text

_LONGEST_ATTRIBUTE = 512  # bytes, Bluetooth Core, attribute protocol


@dataclass(frozen=True, slots=True)
class DeviceInformation:
    """One of the strings. The bytes themselves stay with whoever records them."""

    text: str

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Never raises: what is not UTF-8 becomes a replacement character."""
        # Some sensors send the terminator of a C string along, or a whole buffer filled up with it.
        return cls(safe_text(data[:_LONGEST_ATTRIBUTE].rstrip(b"\0")))

    def __bytes__(self) -> bytes:
        return self.text.encode()
