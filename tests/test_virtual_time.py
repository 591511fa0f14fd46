from __future__ import annotations

import asyncio
import os
import threading
import warnings
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

import pytest

from recorder.host_clock import HostClock, SystemClock
from simulated_sensors.virtual_time import VirtualClock, VirtualTimeLoop, run_virtual

T = TypeVar("T")


class CountedClock:
    """The system's clock, counting how often it is asked."""

    name = "counted"

    def __init__(self) -> None:
        self._real = SystemClock()
        self.asked = 0

    def now_ns(self) -> int:
        return self._real.now_ns()

    def awake_ns(self) -> int:
        self.asked += 1
        return self._real.awake_ns()

    def utc_ns(self) -> int:
        return self._real.utc_ns()


class CountingLoop(VirtualTimeLoop):
    """Counts reads of its time, of which each turn of the loop makes one or two."""

    reads = 0

    def time(self) -> float:
        self.reads += 1
        return super().time()


def run_on(loop: VirtualTimeLoop, main: Callable[[VirtualTimeLoop], Coroutine[Any, Any, T]]) -> T:
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        return runner.run(main(loop))


def test_timers_run_in_order_at_their_exact_time() -> None:
    async def main() -> list[tuple[str, float]]:
        loop = asyncio.get_running_loop()
        seen: list[tuple[str, float]] = []

        def note(name: str) -> None:
            seen.append((name, loop.time()))

        for name, at_s in (("c", 3600.5), ("a", 0.25), ("b", 0.25 + 1e-6), ("d", 86400.0 * 3)):
            loop.call_at(at_s, note, name)
        await asyncio.sleep(86400.0 * 3 + 1)
        return seen

    seen = run_virtual(main())
    assert [name for name, _ in seen] == ["a", "b", "c", "d"]
    assert [at for _, at in seen] == pytest.approx([0.25, 0.250001, 3600.5, 259200.0], abs=1e-9)


def test_time_stands_still_while_callbacks_run() -> None:
    async def main() -> set[float]:
        loop = asyncio.get_running_loop()
        await asyncio.sleep(1)
        times = {loop.time()}
        for _ in range(1000):
            await asyncio.sleep(0)
            times.add(loop.time())
        return times

    assert run_virtual(main(), speed=1000.0) == {1.0}


def test_time_out_comes_before_a_later_sleep() -> None:
    async def main() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(10):
                await asyncio.sleep(11)
        return asyncio.get_running_loop().time()

    assert run_virtual(main()) == 10.0


def test_executor_job_is_never_jumped_over() -> None:
    async def main() -> tuple[list[str], float]:
        loop = asyncio.get_running_loop()
        order: list[str] = []
        release = threading.Event()
        loop.call_later(1e-3, order.append, "timer")

        def job() -> str:
            release.wait(0.05)  # real time passes while virtual time must not
            return "job"

        order.append(await asyncio.to_thread(job))
        at_s = loop.time()
        await asyncio.sleep(1)
        return order, at_s

    assert run_virtual(main()) == (["job", "timer"], 0.0)


def test_job_whose_future_was_cancelled_still_holds_time() -> None:
    async def main() -> float:
        loop = asyncio.get_running_loop()
        started, ended = threading.Event(), threading.Event()
        ended_at_s: list[float] = []

        def job() -> None:
            started.set()
            threading.Event().wait(0.05)
            ended_at_s.append(loop.time())
            ended.set()

        task = asyncio.create_task(asyncio.to_thread(job))
        while not started.is_set():
            await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await asyncio.sleep(5)
        assert ended.is_set()
        return ended_at_s[0]

    assert run_virtual(main()) == 0.0


def test_job_cancelled_before_it_began_does_not_hold_time_for_ever() -> None:
    async def main(loop: VirtualTimeLoop) -> float:
        gate = threading.Event()
        workers = [loop.run_in_executor(None, gate.wait) for _ in range(40)]  # more than the pool has threads
        workers[-1].cancel()
        gate.set()
        await asyncio.gather(*workers[:-1])
        await asyncio.sleep(5)
        return loop.time()

    assert run_on(VirtualTimeLoop(), main) == 5.0


def test_foreign_work_holds_time_and_leaves_it_free_again() -> None:
    async def main(loop: VirtualTimeLoop) -> tuple[float, float]:
        woken = asyncio.Event()
        with loop.foreign_work():
            thread = threading.Timer(0.05, loop.call_soon_threadsafe, (woken.set,))
            thread.start()
            await asyncio.wait_for(woken.wait(), 60)
            inside_s = loop.time()
        thread.join()
        await asyncio.sleep(60)
        return inside_s, loop.time()

    assert run_on(VirtualTimeLoop(), main) == (0.0, 60.0)


def test_without_timers_the_loop_waits_for_the_outside() -> None:
    async def main(loop: VirtualTimeLoop) -> float:
        woken = asyncio.Event()
        thread = threading.Timer(0.02, loop.call_soon_threadsafe, (woken.set,))
        thread.start()
        await woken.wait()
        thread.join()
        return loop.time()

    assert run_on(VirtualTimeLoop(), main) == 0.0


def test_runner_does_not_give_up_on_executor_threads_at_its_end() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        loop.call_later(1000, lambda: None)  # a timer to which time could jump while threads are joined
        await asyncio.to_thread(lambda: None)

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        run_virtual(main())


@pytest.mark.parametrize("speed", [20.0, 200.0])
def test_virtual_time_is_never_ahead_of_speed_times_real_time(speed: float) -> None:
    async def main(loop: VirtualTimeLoop) -> list[tuple[float, float]]:
        pairs = []
        for _ in range(20):
            await asyncio.sleep(0.1 if speed == 20.0 else 1.0)
            pairs.append((loop.time(), (clock.awake_ns() - began_ns) / 1e9))
        return pairs

    clock = SystemClock()
    began_ns = clock.awake_ns()
    pairs = run_on(VirtualTimeLoop(speed=speed), main)
    assert all(virtual_s <= speed * real_s for virtual_s, real_s in pairs)


class SteppedClock:
    """A real clock that the test moves by hand."""

    name = "stepped"

    def __init__(self) -> None:
        self.real_s = 0.0

    def now_ns(self) -> int:
        return round(self.real_s * 1e9)

    awake_ns = utc_ns = now_ns


def test_a_stall_is_not_made_up_in_a_burst() -> None:
    clock = SteppedClock()

    async def main(loop: VirtualTimeLoop) -> float:
        clock.real_s = 1.0  # a second in which the machine did nothing
        before_s = loop.time()
        ticks = 0

        def tick() -> None:
            nonlocal ticks
            ticks += 1
            loop.call_later(0.1, tick)

        tick()
        await asyncio.to_thread(lambda: None)
        # With the real clock at rest the loop may run ahead by the allowance only; then it would wait for real.
        reader, writer = os.pipe()
        woken = asyncio.Event()
        loop.add_reader(reader, woken.set)
        thread = threading.Timer(0.05, os.write, (writer, b"x"))
        thread.start()
        await woken.wait()
        thread.join()
        loop.remove_reader(reader)
        os.close(reader)
        os.close(writer)
        assert ticks > 1
        return loop.time() - before_s

    assert run_on(VirtualTimeLoop(speed=10.0, real_clock=clock), main) <= 0.25 * 10.0 + 1e-9


def test_same_program_gives_the_same_sequence_twice() -> None:
    async def main() -> list[tuple[int, float]]:
        loop = asyncio.get_running_loop()
        seen: list[tuple[int, float]] = []

        async def worker(number: int) -> None:
            for _ in range(50):
                await asyncio.sleep(0.1 * (number % 3 + 1))
                seen.append((number, loop.time()))

        await asyncio.gather(*map(worker, range(9)))
        return seen

    assert run_virtual(main()) == run_virtual(main())


@pytest.mark.parametrize("speed", [None, 5.0])
def test_sockets_are_served_while_timers_wait(speed: float | None) -> None:
    async def main(loop: VirtualTimeLoop) -> tuple[bytes, bool]:
        async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.write(await reader.readline())
            await writer.drain()
            writer.close()

        fired: list[bool] = []
        loop.call_later(2.0, fired.append, True)
        server = await asyncio.start_server(echo, "127.0.0.1", 0)
        reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname()[:2])
        with loop.foreign_work():
            writer.write(b"hello\n")
            line = await reader.readline()
        writer.close()
        server.close()
        before = bool(fired)
        await asyncio.sleep(2.5)
        assert fired == [True]
        return line, before

    assert run_on(VirtualTimeLoop(speed=speed), main) == (b"hello\n", False)


def test_cancelled_sleep_ends_at_once_and_its_timer_with_it() -> None:
    async def main() -> float:
        task = asyncio.create_task(asyncio.sleep(1000))
        await asyncio.sleep(1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await asyncio.sleep(1)
        return asyncio.get_running_loop().time()

    assert run_virtual(main()) == 2.0


@pytest.mark.parametrize("speed", [None, 1e6])
def test_no_busy_loop_even_for_timers_closer_than_the_clock_resolves(speed: float | None) -> None:
    async def main(loop: VirtualTimeLoop) -> int:
        fired: list[int] = []
        await asyncio.sleep(1e5)  # far from zero, where neighbouring floats are 1.5e-11 apart
        for step in range(1000):
            loop.call_at(loop.time() + 1 + step * 1e-10, fired.append, step)
        await asyncio.sleep(2)
        assert sorted(fired) == list(range(1000))
        return len(fired)

    loop = CountingLoop(speed=speed)
    assert run_on(loop, main) == 1000
    assert loop.reads < 2000 + 1000  # one per timer set in this test, and a few per turn of the loop


def test_waiting_at_pace_sleeps_instead_of_spinning() -> None:
    clock = CountedClock()

    async def main(_loop: VirtualTimeLoop) -> None:
        await asyncio.sleep(2)

    run_on(VirtualTimeLoop(speed=20.0, real_clock=clock), main)
    assert clock.asked < 50


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_speed_must_be_above_zero(speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        VirtualTimeLoop(speed=speed)


def test_clock_shows_virtual_time_on_all_three_faces() -> None:
    async def main() -> tuple[int, int, int]:
        clock: HostClock = VirtualClock(asyncio.get_running_loop(), utc_start_ns=1_700_000_000_000_000_000)
        await asyncio.sleep(12.5)
        return clock.now_ns(), clock.awake_ns(), clock.utc_ns()

    assert run_virtual(main()) == (12_500_000_000, 12_500_000_000, 1_700_000_012_500_000_000)
