"""The command `watch`, and `record` and `demo` on a terminal: screens before a recorder in another process."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.broker_address import add_broker_options, checked_topic, open_broker
from recorder.command_line import CAUTION, command_parser, say

if TYPE_CHECKING:
    from recorder.control_client import ControlClient
    from recorder.recorder_process import Screen


def watch(arguments: Sequence[str]) -> int:
    parser = command_parser(
        "watch",
        "A further screen on a recording that is running into a folder. Closing it leaves the recording alone.",
        "wattproof watch rides",
        CAUTION,
    )
    parser.add_argument(
        "folder", type=Path, nargs="?", default=Path(), metavar="DIR", help="the folder of the recording"
    )
    parser.add_argument("--plain", action="store_true", help="plain lines also on a terminal")
    parser.add_argument(
        "--finish",
        action="store_true",
        help="end that recording properly, if the screen that started it is no longer there",
    )
    parser.add_argument(
        "--publish",
        metavar="URL",
        help="no screen: publish the ride to an MQTT broker, mqtts://[ACCOUNT@]HOST[:PORT]",
    )
    parser.add_argument("--topic", metavar="NAME", help="with --publish: the topic (default wattproof/BENCH/live)")
    add_broker_options(parser)
    options = parser.parse_args(arguments)
    if options.publish is None and (options.topic or options.ca or options.password_file):
        parser.error("--topic, --ca and --password-file go with --publish")

    from recorder import recorder_process

    if options.finish:
        return recorder_process.watch(options.folder, _finish)
    if options.publish is not None:
        return recorder_process.watch(options.folder, _publishing(options))
    screen = None if options.plain else live_screen()
    return recorder_process.watch(options.folder, screen or plain_screen)


def record_on_terminal(words: Sequence[str], folder: Path, show: Callable[[str], None]) -> int | None:
    """The exit status; None where there is no terminal, or no live screen to show on it."""
    screen = live_screen()
    if screen is None:
        return None

    from recorder.recorder_process import ride_with_screen

    def show_both(printed: str, said: str) -> None:
        if said.strip():
            say(said.strip())
        if printed.strip():
            show(printed.strip())

    return ride_with_screen([*words, "--headless", "--control"], folder, screen, show_both)


def live_screen() -> Screen | None:
    """The one that is drawn; None where it is not installed or there is no terminal to draw on."""
    # The screen is drawn on the error stream; a person with a terminal has all three on it.
    streams = (sys.stdin, sys.stdout, sys.stderr)
    has_terminal = all(stream is not None and stream.isatty() for stream in streams)
    # textual-serve draws into a browser: no terminal then, but its own driver named in the environment.
    if not (has_terminal or os.environ.get("TEXTUAL_DRIVER")) or find_spec("textual") is None:
        return None
    found: Screen = import_module("recorder.live_screen").live_screen
    return found


def plain_screen(client: ControlClient, owner: bool) -> int:
    """Each thing said and each step on a line of its own, until the recording has ended or the link has."""
    shown: tuple[tuple[float, str], ...] = ()
    shown_turn = None
    while True:
        told = client.wait(1.0)
        if told is not None:
            for at_s, words in told.said:
                if (at_s, words) not in shown:
                    say(f"{int(at_s) // 60:3d}:{int(at_s) % 60:02d}  {words}")
            shown = told.said
            if told.turn is not None and told.turn != shown_turn:
                shown_turn = told.turn
                say(f"step {told.turn + 1}: {told.turn_left_s:.0f} s left")
            if told.ended:
                if not owner:  # whoever started the recording prints its own summary
                    print(told.ended_words)
                return 0
        if client.closed:
            say("the recorder has let this screen go.")
            return 3


def _publishing(options: argparse.Namespace) -> Screen:
    """:raises BadInput: where the options do not make a broker."""
    import asyncio

    from recorder.host_clock import SystemClock
    from recorder.live_screen import ScreenView
    from recorder.live_stream_publisher import LivePublisher

    broker = open_broker(options.publish, options.ca, options.password_file, os.environ)
    topic = None if options.topic is None else checked_topic(options.topic)

    def screen(client: ControlClient, owner: bool) -> int:
        async def publish() -> int:
            view = ScreenView(client, owner)
            return await LivePublisher(view.next_snapshot, broker, topic, SystemClock(), say).run()

        return asyncio.run(publish())

    return screen


def _finish(client: ControlClient, owner: bool) -> int:
    from recorder.control_words import Ask

    told = client.wait(5.0)
    if told is not None and told.owned:
        say("the screen that started this recording ends it.")
        return 1
    client.ask(Ask("finish"))
    return plain_screen(client, owner)
