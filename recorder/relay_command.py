"""The command `relay`: arguments in, words out; the work is done elsewhere."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.broker_address import add_broker_options, examples_to_copy
from recorder.command_line import backend_for, command_parser, say

if TYPE_CHECKING:
    from recorder.relay_forwarder import Forwarded

BATCH_MS = (50, 5000)
RECORDER_NEEDS = """\
The recorder listens to whatever the bench file's tables name; without one it hears no relay:
  [[relay]]
  name = "pocket"
  session = "quayside"                          # the same on both sides
  sensors = ["Dogwood", "Elm"]
  broker = "mqtts://recorder@broker.example"    # the relay's own: see --broker
  password_file = "broker.txt"                  # beside the bench file; ca = "ca.crt" as well
"""


def _parser() -> argparse.ArgumentParser:
    parser = command_parser(
        "relay",
        "Reach sensors on this machine and forward every notification through an MQTT broker to a recorder "
        "elsewhere. What is not safe there is kept here for ten minutes. Start it before or after the recorder.",
        "wattproof relay bench.toml --broker mqtts://pocket@broker.example --password-file broker.txt",
        f"{RECORDER_NEEDS}\n{examples_to_copy()}",
    )
    parser.add_argument("bench", type=Path, help="the bench file, the same as the recorder's")
    parser.add_argument(
        "--broker", metavar="URL", help="mqtts://ACCOUNT@HOST:PORT (default: as in its [[relay]] table)"
    )
    parser.add_argument("--name", help="which [[relay]] of the bench file this is (default: the only one)")
    parser.add_argument("--session", help="the session that both sides name (default: as in the bench file)")
    add_broker_options(parser)
    parser.add_argument(
        "--batch-ms", type=_batch_ms, default=200, metavar="MS", help="how often to send (default 200)"
    )
    parser.add_argument("--headless", action="store_true", help="accepted for scripts: a relay has no screen")
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument("--through", metavar="TRANSPORT", help="reach the sensors through a simulated radio")
    return parser


def _batch_ms(text: str) -> int:
    value = int(text) if text.isdecimal() else 0
    if not BATCH_MS[0] <= value <= BATCH_MS[1]:
        raise argparse.ArgumentTypeError(f"give {BATCH_MS[0]} to {BATCH_MS[1]} milliseconds")
    return value


def relay(arguments: Sequence[str]) -> int:
    options = _parser().parse_args(arguments)
    import asyncio

    from analysis.bench_file import read_bench
    from recorder.compose import bluetooth_source
    from recorder.host_clock import SystemClock
    from recorder.relay_forwarder import RelayForwarder, RelayJob
    from recorder.relay_places import RelayOptions, own_place
    from recorder.signals import ending_signals

    bench = read_bench(options.bench)
    said = RelayOptions(options.name, options.session, options.broker, options.ca, options.password_file)
    place = own_place(bench, said, options.bench.parent, os.environ)
    own = bench.reached_by(place.topics.relay) if bench.relay else bench
    clock = SystemClock()

    async def forward() -> Forwarded:
        async with backend_for(options.through) as backend:
            job = RelayJob(place.topics, place.broker, place.sensors, options.batch_ms / 1000)
            forwarder = RelayForwarder(job, bluetooth_source(own, clock, backend), clock, say)
            with ending_signals(forwarder.stop):
                return await forwarder.run()

    ended = asyncio.run(forward())
    if options.json:
        print(json.dumps({"received": ended.received, "left": ended.left, "lost": ended.lost}))
    else:
        print(ended.in_words())
    return 0  # what is left is mostly from after the recording's end
