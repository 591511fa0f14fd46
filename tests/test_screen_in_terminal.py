"""The live screen in a real pseudo-terminal, driven as by hand: keys, sizes, leaving, told to go, killed."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PATIENCE_S = 30.0


class Tmux:
    """One tmux server of its own, with the screen in it and a shell behind."""

    def __init__(self, folder: Path) -> None:
        self._socket = folder / "tmux"
        self.asks = folder / "asks"
        self.asks.touch()

    def __call__(self, *words: str) -> str:
        command = ["tmux", "-f", "/dev/null", "-S", str(self._socket), *words]
        return subprocess.run(command, check=True, capture_output=True, text=True, timeout=PATIENCE_S).stdout

    def start(self, state: str, *, environment: str = "") -> None:
        # Whoever runs the tests may have a fixed size in the environment, which a program then believes for good.
        child = f"env -u COLUMNS -u LINES {environment} {sys.executable} -m tests.screen_child {self.asks} {state}"
        self("new-session", "-d", "-x", "80", "-y", "24", f"cd {ROOT}; {child}; echo status $?; cat")

    def text(self) -> str:
        return self("capture-pane", "-p")

    def until(self, *words: str) -> str:
        """The pane, once all words are in it."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            text = self.text()
            if all(each in text for each in words):
                return text
            time.sleep(0.05)
        raise AssertionError(f"{words} not in:\n{self.text()}")

    def until_asked(self, *asks: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while self.asks.read_text().splitlines() != list(asks) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert self.asks.read_text().splitlines() == list(asks)

    def screen_pid(self) -> int:
        """The Python process in the pane."""
        shell = self("list-panes", "-F", "#{pane_pid}").strip()
        children = Path(f"/proc/{shell}/task/{shell}/children").read_text().split()
        return int(children[0])


@pytest.fixture
def tmux(tmp_path: Path) -> Iterator[Tmux]:
    if shutil.which("tmux") is None:
        pytest.skip("tmux is not installed")
    running = Tmux(tmp_path)
    yield running
    subprocess.run(
        ["tmux", "-S", str(tmp_path / "tmux"), "kill-server"], check=False, capture_output=True, timeout=PATIENCE_S
    )


def test_a_ride_from_the_first_key_to_the_last(tmux: Tmux) -> None:
    tmux.start("riding")
    text = tmux.until("Quayside bench", "NOW  steady 200", "q  end")
    assert text.count("live") == 4
    tmux("send-keys", "m", "f", "w")
    tmux.until_asked("mark", "choose Birch", "choose 180")
    tmux("resize-window", "-x", "120", "-y", "36")
    tmux.until("against Alder, last 60 s", "later   cool-down", "said ──")
    tmux("resize-window", "-x", "80", "-y", "24")
    tmux("send-keys", "b")
    tmux.until("left of steady 200", "b back")
    tmux("send-keys", "b")
    tmux("send-keys", "C-c")
    tmux.until("End the recording?", "keep riding")
    tmux("send-keys", "n")
    tmux.until("NOW  steady 200")
    tmux("send-keys", "q")
    tmux.until("End the recording?")
    tmux("send-keys", "y")
    tmux.until("the recording has ended", "Saved, nothing lost.", "/rides/quayside")
    tmux("send-keys", "x")
    tmux.until("status 0")
    tmux.until_asked("mark", "choose Birch", "choose 180", "finish")


def test_told_to_go_it_gives_the_terminal_back(tmux: Tmux) -> None:
    tmux.start("riding")
    tmux.until("NOW  steady 200")
    assert tmux("display-message", "-p", "#{alternate_on}").strip() == "1"
    os.kill(tmux.screen_pid(), signal.SIGTERM)
    tmux.until("status 3")
    assert tmux("display-message", "-p", "#{alternate_on} #{cursor_flag} #{mouse_any_flag}").strip() == "0 1 0"
    tmux.until_asked()


def test_killed_it_asks_for_nothing(tmux: Tmux) -> None:
    """A screen that is gone all at once has not ended the recording: that is the recorder's to decide."""
    tmux.start("riding")
    tmux.until("NOW  steady 200")
    os.kill(tmux.screen_pid(), signal.SIGKILL)
    tmux.until("status 137")
    tmux.until_asked()


def test_without_colour_the_words_and_shapes_remain(tmux: Tmux) -> None:
    tmux.start("riding", environment="NO_COLOR=1 COLORTERM=truecolor")
    tmux.until("= agrees", "≠ differs", "◀", "[")
    painted = tmux("capture-pane", "-p", "-e")
    colours = re.findall(r"[34]8;2;(\d+);(\d+);(\d+)", painted)
    assert colours
    assert all(red == green == blue for red, green, blue in colours)
    assert re.search(r"\x1b\[(3|4)[1-6]m", painted) is None


def test_hostile_texts_never_reach_the_terminal_as_codes(tmp_path: Path) -> None:
    """All bytes the screen writes, caught where a terminal would read them."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(ROOT)
        os.environ.pop("COLUMNS", None)
        os.environ.pop("LINES", None)
        os.execv(sys.executable, [sys.executable, "-m", "tests.screen_child", str(tmp_path / "asks"), "hostile"])
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 200, 0, 0))
    try:
        written = _read_until(terminal, b"meter [/x] [bold]7[/]")
        for key in (b"z", b"\x1b", b"t", b"t", b"b"):
            os.write(terminal, key)
            written += _read_for(terminal, 0.25)
    finally:
        os.kill(pid, signal.SIGTERM)
        written += _read_for(terminal, 0.5)
        os.waitpid(pid, 0)
        os.close(terminal)
    assert b"]0;owned" in written  # shown as text ...
    assert b"\x1b]0;owned" not in written  # ... and never as a command
    assert "\x9b31m".encode() not in written
    assert not any(sign.encode() in written for sign in ("\u202e", "\u202c", "\u2066"))
    assert b"n" * 100 not in written


def _read_until(terminal: int, words: bytes) -> bytes:
    written = b""
    deadline = time.monotonic() + PATIENCE_S
    while words not in written and time.monotonic() < deadline:
        written += _read_for(terminal, 0.1)
    assert words in written
    return written


def _read_for(terminal: int, seconds: float) -> bytes:
    written = b""
    deadline = time.monotonic() + seconds
    while (left := deadline - time.monotonic()) > 0:
        if select.select([terminal], [], [], left)[0]:
            try:
                written += os.read(terminal, 65536)
            except OSError:  # the other side has closed
                break
    return written
