"""The command `ready`: arguments in, words out; the work is done elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.command_line import CAUTION, backend_for, command_parser, say, seconds

if TYPE_CHECKING:
    from recorder.ready_file import Ready


def ready(arguments: Sequence[str]) -> int:
    parser = command_parser(
        "ready",
        "Reach every sensor of a bench file before a ride: who it is, battery, signal, crank length, zero offset. "
        "Says what is not ready; the result goes into the next recording within 12 hours.",
        "wattproof ready bench.toml --zero",
        CAUTION,
    )
    parser.add_argument("bench", type=Path, help="the bench file")
    parser.add_argument("--zero", action="store_true", help="ask every meter for its zero offset")
    parser.add_argument(
        "--seconds", type=seconds, default=30.0, metavar="S", help="how long to look for sensors (default 30)"
    )
    parser.add_argument("--json", action="store_true", help="print the result as one JSON object")
    parser.add_argument(
        "--through", metavar="TRANSPORT", help="reach the sensors through a simulated radio (see simulate)"
    )
    options = parser.parse_args(arguments)
    found = _checked(options.bench, options.seconds, zero=options.zero, through=options.through)
    if options.json:
        import json

        print(json.dumps(found.as_dict()))
    else:
        from recorder.ready_words import report

        print(report(found))
    return 0 if found.ready else 1


def _checked(bench_path: Path, patience_s: float, *, zero: bool, through: str | None) -> Ready:
    import asyncio

    from analysis.bench_file import read_bench
    from recorder.compose import bluetooth_source
    from recorder.errors import RecorderError
    from recorder.host_clock import SystemClock
    from recorder.ready import judge_ready
    from recorder.ready_file import read_ready, ready_path, write_ready
    from recorder.ready_visit import VisitOptions, visit

    bench = read_bench(bench_path)
    clock = SystemClock()

    async def look() -> Ready:
        async with backend_for(through) as backend:
            source = bluetooth_source(bench, clock, backend)
            heard = await visit(bench, source, VisitOptions(patience_s, zero, _instruct))
        before = read_ready(ready_path(bench_path))
        known = before.zeros if before is not None else {}
        return judge_ready(bench, heard, known, clock.utc_ns(), patience_s)

    found = asyncio.run(look())
    try:
        write_ready(ready_path(bench_path), found)
    except RecorderError as fault:
        say(f"wattproof: {fault}")
    return found


async def _instruct(instruction: str) -> None:
    """On a terminal wait for Enter; elsewhere there is nobody to wait for."""
    say(instruction)
    if sys.stdin is None or not sys.stdin.isatty():
        return
    say("  then press Enter")
    import asyncio

    loop = asyncio.get_running_loop()
    pressed = asyncio.Event()
    loop.add_reader(sys.stdin.fileno(), pressed.set)
    try:
        await pressed.wait()
        sys.stdin.readline()
    finally:
        loop.remove_reader(sys.stdin.fileno())
