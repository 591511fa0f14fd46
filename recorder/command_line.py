"""The commands `scan`, `record` and `recover`: arguments in, words out; the work is done elsewhere."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from importlib import import_module
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.errors import BadInput
from analysis.safe_text import safe_text
from recorder.pocket_options import add_pocket_options, beside, check_pocket_options

if TYPE_CHECKING:
    from analysis.plan_file import Plan
    from recorder.bluetooth_library import Backend
    from recorder.ready_file import Ready
    from recorder.recording_run import Summary

CAUTION = """\
Hard efforts can hurt. Warm up; stop on pain, dizziness or chest discomfort; secure bike
and trainer; follow the makers' torque values; local rules and medical advice come first.
Nobody rides on a road looking at a laptop."""
LOAD_CAUTION = """\
With --allow-resistance: many trainers accept one link only, and while this program holds
it nothing else can set the load. A load is raised slowly and only after the key y; n, k
and x let it go, and so does the end of the ride. Try that first: press x, and see that
the pedals turn light. If a load does not come off, stop pedalling and unclip."""


def command_parser(name: str, description: str, example: str, caution: str = "") -> argparse.ArgumentParser:
    return argparse.ArgumentParser(
        prog=f"wattproof {name}",
        description=description,
        epilog=f"example:\n  {example}\n\n{caution}".rstrip(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def seconds(text: str) -> float:
    """An argument in seconds: finite and above zero."""
    value = float(text)
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError("give seconds above 0")
    return value


def seconds_or_none(text: str) -> float:
    """As `seconds`, and 0 for not at all."""
    return 0.0 if float(text) == 0 else seconds(text)


@asynccontextmanager
async def backend_for(through: str | None) -> AsyncIterator[Backend | None]:
    """None for this computer's own radio; otherwise the simulated one behind `tcp-client:HOST:PORT` or the like.

    :raises BadInput: where nothing answers there.
    """
    async with AsyncExitStack() as stack:
        yield None if through is None else await _simulated_radio(through, stack)


async def _simulated_radio(through: str, stack: AsyncExitStack) -> Backend:
    """The simulation is found by name: nothing here may import it."""
    if find_spec("bumble") is None:
        raise BadInput("--through needs the package bumble; install it with `pip install 'wattproof[simulate]'`")
    shown = safe_text(through, 200)
    scheme, _, place = through.partition(":")
    if scheme not in ("tcp-client", "unix-client") or not place or (scheme == "tcp-client" and not _has_port(place)):
        raise BadInput(f"`{shown}` is no simulated radio; give tcp-client:HOST:PORT or unix-client:PATH")
    server = import_module("simulated_sensors.hci_server")
    try:
        backend: Backend = await stack.enter_async_context(server.remote_backend(through))
    except (OSError, ValueError) as fault:
        raise BadInput(f"no simulated radio answers at `{shown}` ({fault}); start one with simulate") from fault
    return backend


def _has_port(place: str) -> bool:
    number = place.rpartition(":")[2]
    return number.isdecimal() and int(number) < 1 << 16


def say(words: str) -> None:
    """Progress and troubles go to the error stream, so that printed results stay machine-readable."""
    if sys.stderr is not None:
        # The terminal may be gone, which ends a ride properly but must not make it fail.
        with suppress(OSError, ValueError):
            print(words, file=sys.stderr, flush=True)


def scan(arguments: Sequence[str]) -> int:
    parser = command_parser(
        "scan", "Which sensors are in range, and what each of them offers.", "wattproof scan --seconds 10"
    )
    parser.add_argument("--seconds", type=seconds, default=8.0, help="how long to listen (default 8)")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="write a bench file to start from; never overwrites"
    )
    parser.add_argument("--through", metavar="TRANSPORT", help="listen through a simulated radio (see simulate)")
    options = parser.parse_args(arguments)

    import asyncio
    import json

    from recorder.scan import Seen
    from recorder.scan import scan as look_around
    from recorder.scan_words import as_dict, in_words, require_free_place, write_starter_bench

    if options.bench is not None:
        require_free_place(options.bench)

    async def listen() -> list[Seen]:
        async with backend_for(options.through) as backend:
            return await look_around(options.seconds, backend)

    seen = asyncio.run(listen())
    print(json.dumps([as_dict(s) for s in seen], indent=2) if options.json else in_words(seen))
    if options.bench is not None:
        write_starter_bench(options.bench, seen)
        say(f"wrote {options.bench}; put in where each meter sits and what its maker claims.")
    return 0 if seen else 1


def _record_parser() -> argparse.ArgumentParser:
    parser = command_parser(
        "record",
        "Record every sensor of a bench file on one clock into one Parquet file. Ends with the plan, after "
        "--duration, or on Ctrl-C; what was recorded is always kept.",
        "wattproof record bench.toml --plan plan.toml --out rides",
        f"{CAUTION}\n\n{LOAD_CAUTION}",
    )
    parser.add_argument("bench", type=Path, help="the bench file")
    parser.add_argument(
        "--plan", type=Path, help="the plan file, or `default` for the one built in; its steps become segments"
    )
    parser.add_argument(
        "--out", type=Path, default=Path(), metavar="DIR", help="where to put the recording (default: here)"
    )
    parser.add_argument("--duration", type=seconds, metavar="SECONDS", help="end the recording after that time")
    parser.add_argument(
        "--lead-in",
        type=seconds_or_none,
        default=0.0,
        metavar="SECONDS",
        help="how long after the start of the recording the plan begins (default 0)",
    )
    parser.add_argument(
        "--continue",
        dest="continues",
        type=Path,
        metavar="RECORDING",
        help="this recording goes on with that one; `report` takes both and judges them as one ride",
    )
    parser.add_argument(
        "--patience",
        type=seconds_or_none,
        default=120.0,
        metavar="SECONDS",
        help="how long the plan waits for a missing meter (default 120)",
    )
    parser.add_argument("--headless", action="store_true", help="no live screen: plain lines only")
    parser.add_argument(
        "--control", action="store_true", help="let screens attach to a headless recorder (see watch)"
    )
    parser.add_argument(
        "--allow-resistance",
        action="store_true",
        help="let steps of the plan set the trainer's load; each raise waits for the key y on the screen",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument(
        "--through", metavar="TRANSPORT", help="reach the sensors through a simulated radio (see simulate)"
    )
    add_pocket_options(parser)
    return parser


def record(arguments: Sequence[str]) -> int:
    parser = _record_parser()
    options = parser.parse_args(arguments)
    check_pocket_options(parser, options)
    if not options.headless:
        from recorder.watch_command import record_on_terminal

        status = record_on_terminal(["record", *arguments], options.out, print)
        if status is not None:
            return status

    import asyncio

    from analysis.bench_file import read_bench
    from recorder.compose import RecordJob, Surroundings, combined_source
    from recorder.compose import record as record_ride
    from recorder.host_clock import SystemClock
    from recorder.plain_lines import PlainLines
    from recorder.storage import SystemStorage

    if options.continues is not None:
        from analysis.recording_reader import read_metadata

    bench = read_bench(options.bench)
    clock = SystemClock()
    job = RecordJob(
        bench,
        options.out,
        _plan(options.plan),
        options.duration,
        options.lead_in,
        options.patience,
        ready=_ready(options.bench, bench.stream_names, clock.utc_ns()),
        control=options.control,
        allow_resistance=options.allow_resistance,
        continues=None if options.continues is None else read_metadata(options.continues).session_id,
    )

    async def ride() -> Summary:
        async with backend_for(options.through) as backend:
            source = combined_source(bench, options.bench.parent, clock, backend, os.environ)
            around = Surroundings(clock, SystemStorage(), source, say)
            if not options.control:  # else whoever attaches is told
                lines = PlainLines(say)
                around = Surroundings(clock, SystemStorage(), source, lines.say, (lines,), lines.on_plan)
            with_them = beside(options, bench.bench.name, clock, around.say, os.environ)
            onlookers = (*around.onlookers, *with_them.onlookers)
            return await record_ride(job, replace(around, onlookers=onlookers, companions=with_them.companions))

    return print_summary(asyncio.run(ride()), as_json=options.json)


def _plan(path: Path | None) -> Plan | None:
    """:raises BadPlanFile: for a file that is none."""
    from analysis.plan_file import parse_plan, read_plan

    if path is None:
        return None
    if str(path) == "default":
        return parse_plan(files("recorder").joinpath("default_plan.toml").read_bytes(), "default_plan.toml")
    return read_plan(path)


def _ready(bench_path: Path, streams: tuple[str, ...], now_utc_ns: int) -> Ready | None:
    """The check before this ride, if there was one not long ago; what it found is said once more."""
    from recorder.ready_file import read_ready, ready_path, still_valid
    from recorder.ready_words import findings_in_words

    found = still_valid(read_ready(ready_path(bench_path)), now_utc_ns, streams)
    if found is not None:
        say(f"ready check of this bench taken over: {findings_in_words(found)}")
    return found


def print_summary(summary: Summary, *, as_json: bool, show: Callable[[str], None] = print) -> int:
    """Exit status 0, or 3 where the ride is safe in its journal but could not be finished."""
    if as_json:
        import json

        show(json.dumps(summary.as_dict()))
    else:
        show(summary.in_words())
    return 0 if summary.recording is not None else 3


def recover(arguments: Sequence[str]) -> int:
    parser = command_parser(
        "recover",
        "Finish recordings that were interrupted: by a crash, a power cut, or a full disk.",
        "wattproof recover rides",
    )
    parser.add_argument("path", type=Path, help="the folder, or one journal in it")
    parser.add_argument("--json", action="store_true", help="print what was recovered as JSON")
    options = parser.parse_args(arguments)

    import json

    from recorder.compose import recover_path
    from recorder.storage import SystemStorage

    found = recover_path(options.path, SystemStorage())
    for words in found.left:
        say(f"wattproof: {words}")
    if options.json:
        print(json.dumps(found.as_dict()))
    elif found.recovered:
        print("\n".join(r.in_words() for r in found.recovered))
    elif not found.left:
        print("nothing to recover here.")
    return 2 if found.left else 0
