"""The options of `record` for a computer that nobody looks at, and the companions that they ask for."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.broker_address import add_broker_options, checked_topic, examples_to_copy, open_broker

if TYPE_CHECKING:
    from recorder.companions import Companion
    from recorder.host_clock import HostClock
    from recorder.live_readings import Onlooker


def add_pocket_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("for a computer that nobody looks at", examples_to_copy())
    group.add_argument(
        "--status", metavar="URL", help="tell an MQTT broker how it goes, mqtts://[ACCOUNT@]HOST[:PORT]"
    )
    group.add_argument(
        "--topic", metavar="BASE", help="with --status: what its topics begin with (default wattproof/BENCH)"
    )
    group.add_argument("--accept-stop", action="store_true", help="with --status: the broker may end the recording")
    add_broker_options(group)
    group.add_argument(
        "--stop-on-battery",
        type=percent,
        metavar="PCT",
        help="end properly when this computer's battery is down to that",
    )


def percent(text: str) -> int:
    value = int(text)
    if not 1 <= value <= 99:
        raise argparse.ArgumentTypeError("give a percentage from 1 to 99")
    return value


@dataclass(frozen=True)
class Beside:
    """What goes with a recording: its companions, and the onlookers that these need."""

    companions: tuple[Companion, ...] = ()
    onlookers: tuple[Onlooker, ...] = ()


def beside(
    options: argparse.Namespace,
    bench_name: str,
    clock: HostClock,
    say: Callable[[str], None],
    environment: Mapping[str, str],
    supplies: Path | None = None,
) -> Beside:
    """:raises BadInput: for options that do not fit together, or name what cannot be used."""
    from recorder import host_battery
    from recorder.service_notify import ServiceNotify

    supplies = supplies or host_battery.POWER_SUPPLIES
    companions: list[Companion] = []
    onlookers: list[Onlooker] = []
    if options.status is not None:
        from recorder.headless_status import SensorBatteries
        from recorder.headless_status_publisher import StatusPublisher
        from recorder.live_stream import topic_base

        broker = open_broker(options.status, options.ca, options.password_file, environment)
        base = topic_base(bench_name) if options.topic is None else checked_topic(options.topic)
        batteries = SensorBatteries()
        onlookers.append(batteries)
        companions.append(
            StatusPublisher(broker, base, bench_name, clock, say, batteries, options.accept_stop, supplies).beside
        )
    if options.stop_on_battery is not None:
        host_battery.require_battery(supplies)
        companions.append(host_battery.BatteryStop(options.stop_on_battery, supplies).beside)
    manager = ServiceNotify.from_environment(environment)
    if manager is not None:
        companions.append(manager.beside)
    return Beside(tuple(companions), tuple(onlookers))


def check_pocket_options(parser: argparse.ArgumentParser, options: argparse.Namespace) -> None:
    """Ends the program with the parser's words where an option stands without the one that it belongs to."""
    if options.status is None and (options.topic or options.accept_stop or options.ca or options.password_file):
        parser.error(
            "--topic, --accept-stop, --ca and --password-file go with --status; "
            "what a relay's broker needs stands in its [[relay]] of the bench file"
        )
