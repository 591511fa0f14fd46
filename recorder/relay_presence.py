"""What a recorder tells of one relay: there, gone since when, behind, or heard and nothing arrives; no clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

OFFLINE_NS = 6 * 10**9
NOTHING_ARRIVES_NS = 4_500_000_000
BEHIND_NS, CAUGHT_UP_NS = 5 * 10**9, 2 * 10**9

Tell = Callable[[str, str], None]  # state, words


@dataclass
class RelayPresence:
    """`look` is to be called a few times each second; all times are nanoseconds of the recorder's clock."""

    relay: str
    tell: Tell
    time_of_day: Callable[[int], str]
    started_ns: int
    where: str = ""  # broker and session, for who looks for what keeps them apart
    trouble: str = ""
    _heard_ns: int | None = None
    _gone_ns: int | None = None
    _waiting_ns: int | None = None
    _lag_ns: int = 0
    _state: str = "new"
    _delivery: str = "well"

    @property
    def there(self) -> bool:
        return self._state == "online"

    def heard(self, now_ns: int) -> None:
        self._heard_ns = now_ns
        if self._state == "online":
            return
        away = "" if self._gone_ns is None else f" again after {(now_ns - self._gone_ns) / 1e9:.0f} s"
        self._state, self._gone_ns = "online", None
        self.tell("online", f"relay {self.relay} is there{away}")

    def vanished(self, now_ns: int, ended: bool) -> None:
        """Its own farewell, or the broker's word that its connection broke."""
        if self._state == "online":
            since_ns = now_ns if self._heard_ns is None else self._heard_ns
            self._go(since_ns, "it was ended there" if ended else "the broker lost it")

    def delivered(self, lag_ns: int) -> None:
        """How old the newest row was that came."""
        self._waiting_ns = None
        self._lag_ns = lag_ns

    def owed(self, there_is_more: bool, now_ns: int) -> None:
        """By the relay's own count, whether rows have not come yet."""
        if not there_is_more:
            self._waiting_ns = None
        elif self._waiting_ns is None:
            self._waiting_ns = now_ns

    def look(self, now_ns: int) -> None:
        if self._state == "new" and now_ns - self.started_ns > OFFLINE_NS:
            self._state = "absent"
            listening = (
                f"; listening at {self.where}: is it started there?" if self.where and not self.trouble else ""
            )
            self.tell("absent", f"relay {self.relay} has not been heard yet{self._why()}{listening}")
        if self._state == "online" and self._heard_ns is not None and now_ns - self._heard_ns > OFFLINE_NS:
            self._go(self._heard_ns, "")
        if self._state == "online":
            self._look_at_delivery(now_ns)

    def _look_at_delivery(self, now_ns: int) -> None:
        state, words = self._delivery, ""
        if self._waiting_ns is not None and now_ns - self._waiting_ns > NOTHING_ARRIVES_NS:
            state = "blocked"
            words = "sends, but nothing arrives: see the broker's topic rules and message_size_limit"
        elif self._lag_ns > BEHIND_NS:
            state, words = "behind", f"is {self._lag_ns / 1e9:.0f} s behind"
        elif self._waiting_ns is None and self._lag_ns < CAUGHT_UP_NS:
            state, words = "well", "has caught up"
        if state != self._delivery:
            self._delivery = state
            self.tell(state, f"relay {self.relay} {words}")

    def _go(self, since_ns: int, reason: str) -> None:
        self._state, self._gone_ns, self._waiting_ns = "offline", since_ns, None
        why = f" ({reason})" if reason else self._why()
        self.tell(
            "offline", f"relay {self.relay} offline since {self.time_of_day(since_ns)}{why}; it keeps what it has"
        )

    def _why(self) -> str:
        return f" ({self.trouble.rstrip('.')})" if self.trouble else ""
