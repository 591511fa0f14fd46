"""The end of a recording, seen from the intake of one relay: whether all from before it has come; no clock.

A relay that answers a question asked after the end says which rows it has by then: with the last of these all is
here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from recorder.relay_presence import RelayPresence
from recorder.relay_receiver import RelayReceiver
from recorder.source import NotHere


@dataclass
class RelayEnding:
    """All times are nanoseconds of the recorder's clock."""

    receiver: RelayReceiver
    presence: RelayPresence
    time_of_day: Callable[[int], str]
    owed: int = 0  # the last row that the relay said it has
    _began_ns: int | None = None
    _complete_ns: int | None = None  # everything from before is known to have come
    _last: int | None = None  # the last row that it had when the recording was over
    _gone_with: int | None = None  # the last row that it ever had: it was ended in order

    def begin(self, now_ns: int) -> None:
        self._began_ns = now_ns

    def anew(self) -> None:
        """The relay was started again; its rows are numbered from the beginning."""
        self._last = self._gone_with = None

    def greeted(self, last: int, now_ns: int) -> None:
        self.owed = last
        if self.receiver.seen >= last:
            self._complete_ns = now_ns

    def answered(self, asked_ns: int, last: int) -> None:
        self.owed = max(self.owed, last)
        if self._began_ns is not None and self._last is None and asked_ns >= self._began_ns:
            self._last = last

    def ended(self, last: int) -> None:
        self.owed = self._gone_with = last

    def delivered(self, host_ns: int) -> None:
        self._complete_ns = max(host_ns, self._complete_ns or host_ns)

    @property
    def asks(self) -> bool:
        """Whether it is still to be heard what there is to wait for."""
        return self._began_ns is not None and self._last is None

    def still_to_come(self) -> str:
        """Empty also where the relay is away: it could be for long."""
        return f"relay {self.presence.relay}" if self.presence.there and not self._is_whole() else ""

    def not_here(self) -> NotHere | None:
        if self._is_whole():
            return None
        relay = self.presence.relay
        known = max(0, (self.owed if self._last is None else self._last) - self.receiver.seen)
        why = "they did not come in time" if self.presence.there else "it could not be heard at the end"
        if self._complete_ns is None:
            words = f"relay {relay}: nothing from it is in this file ({why})"
        else:
            words = (
                f"relay {relay}: its rows since {self.time_of_day(self._complete_ns)} are not in this file ({why})"
            )
        return NotHere(relay, self._complete_ns, known, words)

    def _is_whole(self) -> bool:
        last = self._last if self._gone_with is None else self._gone_with
        return last is not None and self.receiver.seen >= last
