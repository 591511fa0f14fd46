"""The commands `demo` and `simulate`: arguments in, words out; the work is done elsewhere."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

from recorder.command_line import CAUTION, print_summary, say, seconds
from simulated_sensors.errors import NoSimulation

TRANSPORT_HELP = (
    "tcp-server:HOST:PORT (port 0: any free one) or unix-server:PATH; keep to this machine: HCI has no password"
)
MOST_SENSORS = 255


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


def _demo_parser() -> argparse.ArgumentParser:
    parser = _parser(
        "demo",
        "The whole job without hardware: five simulated sensors on a Bluetooth stack, checked, recorded on one clock "
        "during a ride of 12 minutes in compressed time, judged, and packed as evidence.",
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
    parser.add_argument(
        "--relay", action="store_true", help="two of the sensors come through a relay and an MQTT broker"
    )
    parser.add_argument(
        "--broker", metavar="URL", help="with --relay: a broker of your own (default: one inside the demo)"
    )
    parser.add_argument("--headless", action="store_true", help="plain lines also on a terminal")
    parser.add_argument("--control", action="store_true", help="let screens attach when headless (see watch)")
    parser.add_argument("--json", action="store_true", help="print the summary as one JSON object")
    return parser


def demo(arguments: Sequence[str]) -> int:
    parser = _demo_parser()
    options = parser.parse_args(arguments)
    if options.broker is not None and not options.relay:
        parser.error("--broker goes with --relay")
    _require_bumble()
    if options.relay:
        _require_relay(options)
    if not options.headless:
        from recorder.watch_command import record_on_terminal

        status = record_on_terminal(["demo", *arguments], options.out, print)
        if status is not None:
            return status

    from analysis.judge import judge_recording
    from analysis.pack.objection_text import tally_words
    from analysis.pack.packing import pack_recording
    from analysis.recording_reader import read_recording
    from analysis.report_files import write_report
    from analysis.report_table import report_table
    from simulated_sensors.demo import DemoOptions, run_demo

    lines = _Lines(overwrite=sys.stderr.isatty() and not options.headless)
    lines.say(
        "Quayside bench: Alder pedals, Birch spider, Cedar trainer, Dogwood crank, Elm cadence sensor (simulated)"
    )
    pace = 5.0 if lines.overwrite else 30.0
    summary = run_demo(
        DemoOptions(
            options.out,
            options.speed,
            options.seed,
            options.truth,
            progress_s=pace,
            control=options.control,
            relay=options.relay,
            broker=options.broker,
        ),
        lines.say,
        lines.progress,
    )
    lines.end()
    if summary.recording is not None:
        recording = read_recording(summary.recording)
        judged = judge_recording(recording)
        if not options.json:
            print(report_table(recording, judged))
        page, *_ = write_report(summary.recording.with_suffix(""), recording, judged)
        lines.say(f"the report page: {page}")
        packed = pack_recording(summary.recording)
        lines.say(f"the evidence pack: {packed.path} ({tally_words(packed.objections)})")
    return print_summary(summary, as_json=options.json)


def _require_relay(options: argparse.Namespace) -> None:
    """Before anything is started. :raises WattproofError: where there is no broker, or the speed is too high."""
    from recorder.broker_address import open_broker
    from simulated_sensors.demo_relay import FASTEST
    from simulated_sensors.embedded_broker import require_amqtt

    if options.broker is None:
        require_amqtt()
    else:
        open_broker(options.broker)
    if options.speed > FASTEST:
        raise NoSimulation(
            f"with --relay the demo runs at most {FASTEST:g} times real time: a real broker carries its messages"
        )


def simulate(arguments: Sequence[str]) -> int:
    parser = _parser(
        "simulate",
        "Serve simulated sensors to a recorder in another process on this machine. The ride begins when the first "
        "sensor is connected and follows the plan after 20 s of easy spinning (record with --lead-in 20).",
        "wattproof simulate --at tcp-server:127.0.0.1:9700",
    )
    parser.add_argument("--at", default="tcp-server:127.0.0.1:0", metavar="TRANSPORT", help=TRANSPORT_HELP)
    parser.add_argument("--plan", type=Path, help="what the rider rides (default: the plan of the demo)")
    parser.add_argument("--from", dest="recording", type=Path, metavar="RECORDING", help="replay a ride instead")
    parser.add_argument("--workshop", type=int, metavar="N", help="N honest meters at 4 Hz instead")
    parser.add_argument("--hci", metavar="ADAPTER", help="one sensor on a real adapter, as usb:0 (untested)")
    parser.add_argument("--sensor", default="Alder", metavar="NAME", help="which one, with --hci (default Alder)")
    parser.add_argument("--seed", type=int, default=1, metavar="K", help="another rider, another day")
    parser.add_argument("--truth", type=Path, metavar="FILE", help="also write what the simulation knows")
    parser.add_argument("--duration", type=seconds, metavar="SECONDS", help="stop serving after that time")
    parser.add_argument("--bench-file", type=Path, metavar="FILE", help="write the Quayside bench file there and end")
    options = parser.parse_args(arguments)
    if options.workshop is not None and not 1 <= options.workshop <= MOST_SENSORS:
        parser.error(f"--workshop takes 1 to {MOST_SENSORS} sensors")
    if options.bench_file is not None:
        return _write_bench(options.bench_file)
    _require_bumble()

    import asyncio

    from analysis.plan_file import read_plan
    from simulated_sensors.serving import ServeOptions, serve, serve_one_on_adapter

    serving = ServeOptions(
        transport=options.hci or options.at,
        plan=None if options.plan is None else read_plan(options.plan),
        seed=options.seed,
        workshop=options.workshop,
        recording=options.recording,
        truth=options.truth,
        duration_s=options.duration,
    )
    if options.hci is not None:
        asyncio.run(serve_one_on_adapter(serving, options.sensor, say))
    else:
        asyncio.run(serve(serving, say))
    return 0


def _write_bench(path: Path) -> int:
    from importlib.resources import files

    try:
        with path.open("xb") as file:
            file.write(files("simulated_sensors").joinpath("quayside_bench.toml").read_bytes())
    except OSError as fault:
        raise NoSimulation(f"{path} cannot be written ({fault.strerror}); give another name.") from fault
    say(f"wrote {path}")
    return 0


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
