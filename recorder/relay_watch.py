"""What a relay tells the person beside it: whether its rows arrive, and if not, what keeps them; no clock.

That the broker took a message is no sign that anybody got it, so only the recorder's own word counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

NOTHING_ARRIVES_NS = 4_500_000_000
RECORDER_THERE_NS = 3 * 10**9  # it says something every two seconds at least
BEHIND_S, CAUGHT_UP_S = 5.0, 2.0


@dataclass
class RelayWatch:
    """`look` is to be called a few times each second. All times are nanoseconds of the relay's clock."""

    say: Callable[[str], None]
    where: str
    batch_topic: str
    connected_ns: int | None = None
    heard_ns: int | None = None
    progress_ns: int = 0
    finished: bool = False  # the recording that was there has ended
    _state: str = ""
    _was_arriving: bool = False
    _trouble: str = ""
    _lost_told: int = 0

    def connection(self, trouble: str | None, now_ns: int) -> None:
        """`trouble` None: there is one now."""
        if trouble is None:
            self.connected_ns = self.progress_ns = now_ns
            if self._trouble:
                self.say(f"broker reached again: {self.where}")
        elif trouble != self._trouble:
            self.say(f"no broker: {trouble.rstrip('.')}; what the sensors send is kept")
        if trouble is not None:
            self.connected_ns = self.heard_ns = None
            self.finished = False
            self._state = "offline"
            self._was_arriving = False
        self._trouble = trouble or ""

    def recorder_is_there(self, now_ns: int) -> bool:
        return self.heard_ns is not None and now_ns - self.heard_ns <= RECORDER_THERE_NS

    def recorder_heard(self, now_ns: int) -> None:
        self.heard_ns = now_ns
        self.finished = False

    def recorder_finished(self) -> None:
        self.heard_ns = None
        self.finished = True

    def arrived(self, now_ns: int) -> None:
        self.progress_ns = now_ns

    def look(self, now_ns: int, kept: int, behind_s: float, lost: int) -> None:
        if self.connected_ns is not None:
            state = self._judge(now_ns, behind_s)
            if state not in (self._state, ""):
                self._state = state
                self._was_arriving = state in ("arriving", "behind") or (self._was_arriving and state == "blocked")
                self.say(self._words(state, kept, behind_s))
        if lost >= 2 * self._lost_told + 1:
            self._lost_told = lost
            self.say(f"{lost} rows lost so far: they could not be delivered for longer than is kept")

    def _judge(self, now_ns: int, behind_s: float) -> str:
        """Empty: it stays as it is."""
        if self.connected_ns is None:
            return ""
        if self.finished:
            return "finished"
        if self.recorder_is_there(now_ns):
            return self._judge_delivery(now_ns, behind_s)
        silent_ns = now_ns - (self.connected_ns if self.heard_ns is None else self.heard_ns)
        if silent_ns <= NOTHING_ARRIVES_NS:
            return ""
        return "alone" if self.heard_ns is None else "left"

    def _judge_delivery(self, now_ns: int, behind_s: float) -> str:
        if behind_s < CAUGHT_UP_S:
            return "arriving"
        if now_ns - self.progress_ns > NOTHING_ARRIVES_NS and behind_s * 1e9 > NOTHING_ARRIVES_NS:
            return "blocked"
        if behind_s <= BEHIND_S:
            return ""
        # Slow is only what was quick before; else rows have waited for somebody to take them.
        return "behind" if self._was_arriving else "waited"

    def _words(self, state: str, kept: int, behind_s: float) -> str:
        words = {
            "alone": (
                f"sends, but nothing arrives: no recorder answers at {self.where}. Either none records yet, or it "
                "names another broker, session or relay, or the broker's topic rules keep us apart; "
                f"{kept} rows kept"
            ),
            "blocked": (
                f"sends, but nothing arrives, though a recorder answers: the broker drops {self.batch_topic}; "
                f"see its topic rules and message_size_limit; {kept} rows kept"
            ),
            "finished": "the recording has ended; what the sensors send is kept for the next one",
            "left": f"the recorder cannot be heard any more; {kept} rows kept",
            "waited": f"a recorder is there; {kept} kept rows go to it, the oldest {behind_s:.0f} s old",
            "behind": f"the link is slow: {behind_s:.0f} s behind, {kept} rows kept",
            "arriving": "a recorder is there, all arrives",
        }
        return words[state]
