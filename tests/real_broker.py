"""Mosquitto started on a free port with a given configuration; skips where it is not installed."""

import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from recorder.host_clock import SystemClock

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
_PATIENCE_S = 15.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass(frozen=True)
class RealBroker:
    port: int
    child: subprocess.Popen[bytes]

    def kill(self) -> None:
        self.child.kill()
        self.child.wait()


@contextmanager
def running(folder: Path, lines: str, port: int | None = None) -> Iterator[RealBroker]:
    """`lines` may hold {port}. Yields once the broker listens."""
    if PROGRAM is None:
        pytest.skip("mosquitto is not installed")
    port = port or free_port()
    configuration = folder / "mosquitto.conf"
    configuration.write_text(lines.replace("{port}", str(port)))
    with (folder / "broker.log").open("ab") as log:
        child = subprocess.Popen([PROGRAM, "-c", str(configuration)], cwd=folder, stdout=log, stderr=log)
        try:
            _await_listening(child, port, folder / "broker.log")
            yield RealBroker(port, child)
        finally:
            child.kill()
            child.wait()


def _await_listening(child: subprocess.Popen[bytes], port: int, log: Path) -> None:
    clock = SystemClock()
    until_ns = clock.now_ns() + int(_PATIENCE_S * 1e9)
    while clock.now_ns() < until_ns:
        if child.poll() is not None:
            raise AssertionError(f"mosquitto ended at once: {log.read_text()}")
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
    raise AssertionError(f"mosquitto does not listen: {log.read_text()}")


# Started by root it would change to an account that cannot read the test's folder.
PLAIN = "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n"
