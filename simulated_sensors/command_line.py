"""The commands `demo` and `simulate`: arguments in, words out; the work is done elsewhere."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

from recorder.command_line import CAUTION, print_summary, seconds
from simulated_sensors.errors import NoSimulation


def _parser(name: str, description: str, example: str) -> argparse.ArgumentParser:
    return argparse.ArgumentParser(
        prog=f"wattproof {name}",
        description=description,
        epilog=f"example:\n  {example}\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def _require_bumble() -> None:
    if find_spec("bumble") is None:
        raise NoSimulation(
            "simulated sensors need the package bumble; install it with `pip install 'wattproof[simulate]'`."
        )


def demo(arguments: Sequence[str]) -> int:
    parser = _parser(
        "demo",
        "The whole job without hardware: five simulated sensors on a Bluetooth stack, recorded on one clock during "
        "a ride of 12 minutes in compressed time, and the figures.",
        "wattproof demo --out demo-ride",
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("demo-ride"),
        metavar="DIR",
        help="where to put the recording (default demo-ride)",
    )
    parser.add_argument(
        "--speed",
        type=seconds,
        default=24.0,
        metavar="N",
        help="at most N times real time (default 24; 1 is real time)",
    )
    parser.add_argument("--seed", type=int, default=1, metavar="K", help="another rider, another day")
    parser.add_argument(
        "--truth", type=Path, metavar="FILE", help="also write what the simulation knows: true power, every error"
    )
    parser.add_argument("--headless", action="store_true", help="plain lines also on a terminal")
    parser.add_argument("--json", action="store_true", help="print the summary as one JSON object")
    options = parser.parse_args(arguments)
    _require_bumble()

    from analysis.judge import judge_recording
    from analysis.recording_reader import read_recording
    from analysis.report_table import report_table
    from simulated_sensors.demo import DemoOptions, run_demo

    lines = _Lines(overwrite=sys.stderr.isatty() and not options.headless)
    lines.say(
        "Quayside bench: Alder pedals, Birch spider, Cedar trainer, Dogwood crank, Elm cadence sensor (simulated)"
    )
    pace = 5.0 if lines.overwrite else 30.0
    summary = run_demo(
        DemoOptions(options.out, options.speed, options.seed, options.truth, progress_s=pace),
        lines.say,
        lines.progress,
    )
    lines.end()
    if summary.recording is not None and not options.json:
        recording = read_recording(summary.recording)
        judged = judge_recording(recording)
        print(report_table(recording, judged.segments, judged.reference))
    return print_summary(summary, as_json=options.json)


class _Lines:
    """On a terminal a progress line is overwritten by the next; elsewhere every line is plain."""

    def __init__(self, *, overwrite: bool) -> None:
        self.overwrite = overwrite
        self._pending = False

    def say(self, words: str) -> None:
        self.end()
        print(words, file=sys.stderr, flush=True)

    def progress(self, words: str) -> None:
        if not self.overwrite:
            self.say(words)
            return
        print(f"\r\x1b[K{words[:100]}", end="", file=sys.stderr, flush=True)
        self._pending = True

    def end(self) -> None:
        if self._pending:
            print(file=sys.stderr, flush=True)
            self._pending = False
