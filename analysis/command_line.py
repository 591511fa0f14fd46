"""The program `wattproof`: finds the asked-for command, imports only that one, and turns errors into exit codes."""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import NamedTuple

from analysis.errors import WattproofError

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EIO) if hasattr(errno, "EDQUOT") else (errno.ENOSPC, errno.EIO)
DONE, NO, BAD_USE, INTERRUPTED = 0, 1, 2, 3


class Command(NamedTuple):
    """Where a command lives, by name: a package to the left never imports one to its right."""

    module: str
    function: str
    summary: str


COMMANDS: dict[str, Command] = {
    "demo": Command(
        "simulated_sensors.command_line", "demo", "the whole job on simulated sensors, no hardware needed"
    ),
    "ready": Command("recorder.ready_command", "ready", "reach, identify, zero and check every sensor before a ride"),
    "scan": Command("recorder.command_line", "scan", "which sensors are in range, and a bench file to start from"),
    "record": Command("recorder.command_line", "record", "record every sensor of a bench file into one Parquet file"),
    "relay": Command("recorder.relay_command", "relay", "forward sensors of this machine to a recorder elsewhere"),
    "watch": Command("recorder.watch_command", "watch", "a further screen on a recording that is running"),
    "recover": Command("recorder.command_line", "recover", "finish recordings that were interrupted"),
    "import": Command("recorder.import_command", "import_files", "make a recording of files from other devices"),
    "report": Command("analysis.report_command", "report", "judge a recording: figures per segment and meter"),
    "pack": Command("analysis.pack_command", "pack", "put a ride and its evidence into one archive, or check one"),
    "ledger": Command("analysis.ledger.ledger_command", "ledger", "keep recordings, see units and rides over time"),
    "simulate": Command("simulated_sensors.command_line", "simulate", "serve simulated sensors to another process"),
}

HELP = f"""usage: wattproof COMMAND [options]

Record bicycle power meters side by side on one clock, and judge whether they agree.

commands:
{chr(10).join(f"  {name:<10}{command.summary}" for name, command in COMMANDS.items())}

`wattproof COMMAND --help` explains a command and gives an example. Start with `wattproof demo`.
Exit status: 0 done, 1 the answer is no, 2 bad use or bad input, 3 interrupted but safe.

Hard efforts can hurt: warm up, stop on pain, dizziness or chest discomfort, and see the cautions in the README.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; returns its exit status."""
    _print_anything()
    # Matrices here are small: further threads of numpy's library cost time, and the last digits hang on their number.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if arguments is None else arguments)
    return run_safely(lambda: _run(words))


def _run(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help", "help"):
        print(HELP, end="")
        return DONE if words else BAD_USE
    if words[0] == "--version":
        from analysis.version import product_version

        print(f"wattproof {product_version()}")
        return DONE
    command = COMMANDS.get(words[0])
    if command is None:
        from analysis.safe_text import safe_text

        shown = safe_text(words[0], 40)
        print(f"wattproof: there is no command `{shown}`; `wattproof --help` lists them.", file=sys.stderr)
        return BAD_USE
    return _load(command)(words[1:])


def _print_anything() -> None:
    """A console that lacks a character of a sensor's name, or the sign ±, shows a question mark."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def run_safely(action: Callable[[], int]) -> int:
    """Turn what a command raises into one sentence and an exit status."""
    try:
        status = action()
        sys.stdout.flush()  # a full disk behind the output must be seen here, not at the interpreter's exit
        return status
    except WattproofError as error:
        print(f"wattproof: {str(error).rstrip('.')}.", file=sys.stderr)
        return BAD_USE
    except KeyboardInterrupt:
        print("wattproof: interrupted.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        _let_output_go()
        return INTERRUPTED
    except OSError as fault:
        if fault.filename is not None or fault.errno not in _NO_ROOM:
            raise
        _let_output_go()
        print(f"wattproof: the output could not be written: {fault.strerror}.", file=sys.stderr)
        return BAD_USE


def _let_output_go() -> None:
    """Otherwise the interpreter tries again, and fails again, when it flushes at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _load(command: Command) -> Callable[[Sequence[str]], int]:
    function: Callable[[Sequence[str]], int] = getattr(import_module(command.module), command.function)
    return function
