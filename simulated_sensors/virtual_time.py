"""An event loop whose time jumps to the next timer, and the clock that reads it; knows nothing of sensors.

Time stands still while callbacks run and while work is outstanding that the loop cannot see the end of: jobs in an
executor are counted by themselves, everything else (a process, a socket, a thread of one's own) is counted by
`foreign_work`. A job that itself waits for virtual time to pass would therefore wait for ever, so a thread that
serves a whole ride must not occupy an executor.
"""

from __future__ import annotations

import asyncio
import contextlib
import selectors
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from typing import Any, TypeVar, TypeVarTuple, Unpack

from recorder.host_clock import HostClock, SystemClock

_T = TypeVar("_T")
_Ts = TypeVarTuple("_Ts")

# After a stall, virtual time may catch up this much of real time; more would be a burst that no rider pedals.
_CATCH_UP_S = 0.25


class _JumpingSelector(selectors.DefaultSelector):
    """A selector in whose wait virtual time passes; real waiting only for the sake of pace or outside work."""

    def __init__(self, speed: float | None, real_clock: HostClock) -> None:
        super().__init__()
        self.now_s = 0.0
        self.outstanding = 0
        self._speed = speed
        self._real_clock = real_clock
        # Where pace is reckoned from: virtual time is never more than speed × real time since then.
        self._anchor_s = 0.0
        self._anchor_real_s = self._real_s()

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or (timeout is not None and timeout <= 0):
            return ready
        if timeout is None or self.outstanding:
            return super().select(None)
        due_s = self.now_s + timeout
        if self._speed is None:
            self.now_s = due_s
            return []
        return self._wait_at_pace(due_s, self._speed)

    def _wait_at_pace(self, due_s: float, speed: float) -> list[tuple[selectors.SelectorKey, int]]:
        self._forget_a_stall(speed)
        while True:
            allowed_s = self._allowed_s(speed)
            if allowed_s >= due_s:
                self.now_s = due_s
                return []
            ready = super().select((due_s - allowed_s) / speed)
            if ready:
                self.now_s = max(self.now_s, min(due_s, self._allowed_s(speed)))
                return ready

    def _forget_a_stall(self, speed: float) -> None:
        if self._allowed_s(speed) - self.now_s > _CATCH_UP_S * speed:
            self._anchor_s, self._anchor_real_s = self.now_s, self._real_s() - _CATCH_UP_S

    def _allowed_s(self, speed: float) -> float:
        return self._anchor_s + speed * (self._real_s() - self._anchor_real_s)

    def _real_s(self) -> float:
        return self._real_clock.awake_ns() / 1e9


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """`speed` is the most virtual seconds per real second; None is as fast as the work allows."""

    def __init__(self, *, speed: float | None = None, real_clock: HostClock | None = None) -> None:
        self._jumping = _JumpingSelector(speed, real_clock or SystemClock())
        self._own_executor: ThreadPoolExecutor | None = None
        super().__init__(self._jumping)
        if speed is not None and not speed > 0:
            self.close()  # a half-made loop would complain when it is collected
            raise ValueError(f"speed must be above 0, not {speed}")

    def time(self) -> float:
        return self._jumping.now_s

    @contextlib.contextmanager
    def foreign_work(self) -> Iterator[None]:
        """Virtual time stands still inside; to be entered and left in the loop's own thread."""
        self._jumping.outstanding += 1
        try:
            yield
        finally:
            self._jumping.outstanding -= 1

    def set_default_executor(self, executor: ThreadPoolExecutor) -> None:  # type: ignore[override]  # as in the stub
        self._own_executor = executor
        super().set_default_executor(executor)

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[Unpack[_Ts]], _T], *args: *_Ts
    ) -> asyncio.Future[_T]:
        job = (executor or self._default()).submit(func, *args)
        self._jumping.outstanding += 1
        future = asyncio.wrap_future(job, loop=self)
        # The end of the thread counts, not that of the future: a cancelled future leaves its job running. Added after
        # wrap_future, so that the result is handed over before time may go on.
        job.add_done_callback(lambda _job: self._job_ended())
        return future

    def _default(self) -> ThreadPoolExecutor:
        if self._own_executor is None:
            executor = ThreadPoolExecutor(thread_name_prefix="virtual-time")
            self.set_default_executor(executor)
            return executor
        return self._own_executor

    def _job_ended(self) -> None:
        with contextlib.suppress(RuntimeError):  # the loop was closed while the job still ran
            self.call_soon_threadsafe(self._count_job_ended)

    def _count_job_ended(self) -> None:
        self._jumping.outstanding -= 1

    async def shutdown_default_executor(self, *args: Any, **kwargs: Any) -> None:
        with self.foreign_work():
            await super().shutdown_default_executor(*args, **kwargs)


class VirtualClock:
    """The recorder's clock on virtual time; the wall shows `utc_start_ns` when the loop is made."""

    name = "virtual"

    def __init__(self, loop: asyncio.AbstractEventLoop, utc_start_ns: int) -> None:
        self._loop = loop
        self._utc_start_ns = utc_start_ns

    def now_ns(self) -> int:
        return round(self._loop.time() * 1e9)

    def awake_ns(self) -> int:
        return self.now_ns()

    def utc_ns(self) -> int:
        return self._utc_start_ns + self.now_ns()


def run_virtual(main: Coroutine[Any, Any, _T], *, speed: float | None = None) -> _T:
    """As `asyncio.run`, on a `VirtualTimeLoop`."""
    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(speed=speed)) as runner:
        return runner.run(main)
