"""A relay on another machine's network, whose cable is pulled, or whose link carries a thousand bytes a second.

The other machine is a network namespace with a veth pair to it, so this needs root.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from recorder.broker_address import open_broker
from tests.faults.conftest import Tell
from tests.mosquitto_broker import Mosquitto, needs_mosquitto
from tests.relaying import RecorderSide, RelayProcess, assert_each_once, bound_ms, errors_ms, until

pytestmark = [needs_mosquitto, pytest.mark.slow, pytest.mark.timeout(240)]
CUT_S = 60.0


class Cable:
    """A veth pair: `here` on this side, the other end in a namespace of its own."""

    def __init__(self) -> None:
        number = os.getpid() % 60_000
        self.space, self.near, self.far = f"wp{number}", f"wpa{number}", f"wpb{number}"
        self.here = f"10.{200 + number // 16_000}.{number // 64 % 250}.{4 * (number % 64) + 1}"
        self.there = f"{self.here.rpartition('.')[0]}.{int(self.here.rpartition('.')[2]) + 1}"

    def ip(self, *words: str) -> None:
        subprocess.run(["ip", *words], check=True, capture_output=True)

    def lay(self) -> None:
        self.ip("netns", "add", self.space)
        self.ip("link", "add", self.near, "type", "veth", "peer", "name", self.far, "netns", self.space)
        self.ip("addr", "add", f"{self.here}/30", "dev", self.near)
        self.ip("link", "set", self.near, "up")
        self.ip("-n", self.space, "addr", "add", f"{self.there}/30", "dev", self.far)
        self.ip("-n", self.space, "link", "set", self.far, "up")

    def pull(self) -> None:
        self.ip("link", "set", self.near, "down")

    def plug(self) -> None:
        self.ip("link", "set", self.near, "up")

    def narrow(self, rate: str) -> None:
        """Both ways."""
        shape = ("root", "tbf", "rate", rate, "burst", "2kb", "latency", "2s")
        subprocess.run(["tc", "qdisc", "add", "dev", self.near, *shape], check=True)
        subprocess.run(["tc", "-n", self.space, "qdisc", "add", "dev", self.far, *shape], check=True)

    def widen(self) -> None:
        subprocess.run(["tc", "qdisc", "del", "dev", self.near, "root"], check=True)
        subprocess.run(["tc", "-n", self.space, "qdisc", "del", "dev", self.far, "root"], check=True)

    def take_away(self) -> None:
        subprocess.run(["ip", "link", "del", self.near], check=False, capture_output=True)
        subprocess.run(["ip", "netns", "del", self.space], check=False, capture_output=True)


@pytest.fixture
def cable() -> Iterator[Cable]:
    if os.geteuid() != 0 or shutil.which("ip") is None or shutil.which("tc") is None:
        pytest.skip("a network of its own needs root and the programs ip and tc")
    laid = Cable()
    try:
        laid.lay()
    except subprocess.CalledProcessError as fault:
        laid.take_away()
        pytest.skip(f"no network namespace can be made here: {fault.stderr.decode().strip()}")
    yield laid
    laid.take_away()


async def test_the_cable_is_pulled_for_a_minute(tmp_path: Path, cable: Cable, tell: Tell) -> None:
    with Mosquitto(tmp_path, host=cable.here) as broker:
        recorder = RecorderSide(tmp_path / "ride", open_broker(broker.url))
        recorder.record()
        relay = await RelayProcess.start(broker.url, "ip", "netns", "exec", cable.space)
        try:
            await until(lambda: recorder.last > 100, 20)
            cable.pull()
            pulled_s = asyncio.get_running_loop().time()
            await until(lambda: recorder.told[-1]["state"] == "offline", 8)
            noticed_s = asyncio.get_running_loop().time() - pulled_s
            await asyncio.sleep(CUT_S - noticed_s)
            cable.plug()
            await until(lambda: recorder.told[-1]["state"] != "offline", 40)
            rows = await recorder.ended(await relay.pause())
        finally:
            status = await relay.stop()
            await recorder.stop()
    assert status == 0
    assert_each_once(relay.sent_ns, rows)
    error_ms = float(np.percentile(np.abs(errors_ms(relay.sent_ns, rows, recorder.start_ns)), 99))
    assert error_ms < bound_ms(rows)
    assert any(words.strip().partition("  ")[2].startswith("no broker") for words in relay.words)
    measured = f"offline told after {noticed_s:.1f} s; 0 of {len(rows)} rows lost or doubled, p99 {error_ms:.2f} ms"
    tell(36, "network namespace, veth down for 60 s", "relay offline since; back after", measured)


async def test_a_link_of_eight_kilobits(tmp_path: Path, cable: Cable, tell: Tell) -> None:
    """Twenty packets a second are more than it carries: the relay falls behind, says so, and catches up later."""
    with Mosquitto(tmp_path, host=cable.here) as broker:
        recorder = RecorderSide(tmp_path / "ride", open_broker(broker.url))
        recorder.record()
        relay = await RelayProcess.start(broker.url, "ip", "netns", "exec", cable.space)
        try:
            await until(lambda: recorder.last > 100, 20)
            cable.narrow("8kbit")
            await until(lambda: any("behind" in words for words in relay.words), 60)
            await asyncio.sleep(20)
            cable.widen()
            rows = await recorder.ended(await relay.pause())
        finally:
            await relay.stop()
            await recorder.stop()
    assert_each_once(relay.sent_ns, rows)
    error_ms = float(np.percentile(np.abs(errors_ms(relay.sent_ns, rows, recorder.start_ns)), 99))
    assert error_ms < bound_ms(rows)
    said = next(words.strip().partition("  ")[2] for words in relay.words if "behind" in words)
    tell(39, "tbf 8 kbit/s", said, f"0 of {len(rows)} rows lost or doubled, p99 {error_ms:.2f} ms")
