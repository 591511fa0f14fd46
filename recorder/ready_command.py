"""The command `ready`: arguments in, words out; the work is done elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.errors import BadInput
from analysis.safe_text import safe_text
from recorder.command_line import CAUTION, backend_for, command_parser, say, seconds

if TYPE_CHECKING:
    from analysis.bench_file import Bench
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
    parser.add_argument(
        "--relay", metavar="NAME", help="check what this [[relay]] of the bench file reaches, on its machine"
    )
    options = parser.parse_args(arguments)
    from analysis.bench_file import read_bench

    bench = own_bench(read_bench(options.bench), options.relay)
    found = _checked(bench, options.bench, options.seconds, zero=options.zero, through=options.through)
    if options.json:
        import json

        print(json.dumps(found.as_dict()))
    else:
        from recorder.ready_words import report

        print(report(found))
    return 0 if found.ready else 1


def own_bench(bench: Bench, relay: str | None) -> Bench:
    """What can be reached from here; of the rest it is said where it is checked. :raises BadInput:"""
    if relay is not None and relay not in bench.relayed.values():
        raise BadInput(f"the bench file has no relay named `{safe_text(relay)}`; see its [[relay]] tables")
    own, others = bench.reached_by(relay), [n for n, of in bench.relayed.items() if of != relay]
    if relay is None and others:
        say(f"not checked here, but at their relay with `wattproof ready BENCH --relay NAME`: {', '.join(others)}")
    if not own.stream_names:
        raise BadInput("every sensor of this bench file is reached by a relay; use --relay NAME on its machine")
    return own


def _checked(bench: Bench, bench_path: Path, patience_s: float, *, zero: bool, through: str | None) -> Ready:
    import asyncio

    from recorder.compose import bluetooth_source
    from recorder.errors import RecorderError
    from recorder.host_clock import SystemClock
    from recorder.ready import judge_ready
    from recorder.ready_file import read_ready, ready_path, write_ready
    from recorder.ready_visit import VisitOptions, visit

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
