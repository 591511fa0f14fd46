"""The examples that come with the package, tried: certificates, accounts, topic rules, limits, service unit."""

from __future__ import annotations

import asyncio
import configparser
import re
import shutil
import ssl
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from importlib.resources import files
from pathlib import Path

import pytest

from recorder.mqtt_client import BrokerTrouble, Connection, connected, open_broker
from tests.mosquitto_broker import Mosquitto
from tests.riding import exit_status

SERVICES = files("recorder").joinpath("services")


def example(name: str) -> str:
    return SERVICES.joinpath(name).read_text()


def run_commands(folder: Path) -> None:
    """Each line as it stands, but for passwords, which nobody is there to type: each account's is its own name."""
    for tool in ("openssl", "mosquitto_passwd"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    shutil.copyfile(str(SERVICES.joinpath("acl.txt")), folder / "acl.txt")
    for line in example("tls-and-accounts.txt").splitlines():
        if line.startswith("mosquitto_passwd"):
            line = re.sub(r"^mosquitto_passwd (.*) (\w+)$", r"mosquitto_passwd -b \1 \2 \2", line)  # noqa: PLW2901
        if line and not line.startswith("#"):
            subprocess.run(["/bin/bash", "-c", line], cwd=folder, check=True, capture_output=True, timeout=60)


class Lab:
    def __init__(self, folder: Path, port: int) -> None:
        self.folder = folder
        self.port = port

    @asynccontextmanager
    async def as_account(self, account: str, url: str = "mqtts://{}@localhost") -> AsyncIterator[Connection]:
        (self.folder / f"{account}.word").write_text(account)
        broker = open_broker(
            f"{url.format(account)}:{self.port}", self.folder / "ca.crt", self.folder / f"{account}.word"
        )
        async with connected(broker, f"{account}-1") as connection:
            yield connection


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """The example with its folder and its port exchanged; nothing else."""
    folder = tmp_path_factory.mktemp("lab")
    run_commands(folder)
    configuration = example("mosquitto.conf").replace("/etc/mosquitto/wattproof", str(folder))
    assert "listener 8883\n" in configuration
    configuration = configuration.replace("listener 8883", "listener {port} 127.0.0.1\nuser root")
    with Mosquitto(folder, settings=configuration) as broker:
        yield Lab(folder, broker.port)


TOPICS = {
    "up": "wattproof/v1/quayside/pocket/up/batch",
    "down": "wattproof/v1/quayside/pocket/down/ack",
    "status": "wattproof/quayside-bench/status",
    "answer": "wattproof/quayside-bench/answer",
    "live": "wattproof/quayside-bench/live",
    "command": "wattproof/quayside-bench/command",
    "other": "wattproof/other-bench/command",
    "stranger": "wattproof/v1/quayside/stranger/up/batch",
}
MAY_HEAR = {
    "recorder": {("pocket", "up"), ("helm", "command")},
    "pocket": {("recorder", "down")},
    "helm": {("recorder", "status"), ("recorder", "answer"), ("recorder", "live"), ("helm", "command")},
    "overlay": {("recorder", "live")},
}


async def test_everybody_writes_everything_and_hears_what_the_rules_say(lab: Lab) -> None:
    async with AsyncExitStack() as stack:
        people = {name: await stack.enter_async_context(lab.as_account(name)) for name in MAY_HEAR}
        for person in people.values():
            await person.subscribe("wattproof/#")
        for writer, person in people.items():
            for what, topic in TOPICS.items():
                await person.publish(topic, f"{writer} {what}".encode())
        # Acknowledged messages are with the broker, in order: whoever hears the last has heard all that he ever will.
        for writer, what in (("recorder", "down"), ("recorder", "live"), ("helm", "command")):
            await people[writer].publish(TOPICS[what], b"the last")
        for reader, person in people.items():
            assert {tuple(words.split()) for words in await heard_before(b"the last", person)} == MAY_HEAR[reader]


async def heard_before(last: bytes, reader: Connection) -> list[str]:
    found: list[str] = []
    async with asyncio.timeout(10):
        async for message in reader.messages():
            if message.payload == last:
                return found
            found.append(message.payload.decode())
    raise AssertionError("unreachable")


async def test_strangers_and_plain_connections_stay_outside(lab: Lab) -> None:
    with pytest.raises(BrokerTrouble, match="lets nobody in without an account"):
        async with connected(open_broker(f"mqtts://localhost:{lab.port}", lab.folder / "ca.crt"), "nobody"):
            pass
    with pytest.raises(BrokerTrouble, match="did not answer as a broker"):
        async with connected(open_broker(f"mqtt://localhost:{lab.port}"), "nobody", timeout_s=1.5):
            pass
    async with lab.as_account("helm", "mqtts://{}@127.0.0.1"):
        pass  # the certificate is good for the number as well


async def test_the_certificates_pass_the_checks_of_newer_pythons(lab: Lab) -> None:
    """From 3.13 on Python asks for this by itself (ssl.create_default_context)."""
    (lab.folder / "helm.word").write_text("helm")
    broker = open_broker(f"mqtts://helm@localhost:{lab.port}", lab.folder / "ca.crt", lab.folder / "helm.word")
    assert broker.tls_context is not None
    broker.tls_context.verify_flags |= ssl.VERIFY_X509_STRICT
    async with connected(broker, "helm-1"):
        pass


async def test_long_and_retained_messages_do_not_pass(lab: Lab) -> None:
    async with lab.as_account("recorder") as recorder, lab.as_account("overlay") as overlay:
        await overlay.subscribe(TOPICS["live"])
        await recorder.publish(TOPICS["live"], bytes(65537))
        await recorder.publish(TOPICS["live"], b"short")
        await recorder.publish(TOPICS["live"], b"the last")
        assert await heard_before(b"the last", overlay) == ["short"]
        assert overlay.dropped == 0  # the broker's doing, and not this reader's
        with pytest.raises(BrokerTrouble):
            await recorder.publish(TOPICS["live"], b"kept", retain=True)


# -- the service ---------------------------------------------------------------------------------------------------


def unit_words() -> list[str]:
    """What the unit starts; its backslashes and its one specifier as systemd.unit(5) has them."""
    unit = configparser.RawConfigParser(strict=False, delimiters=("=",))
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read_string(example("wattproof-record.service").replace("\\\n", " "))
    return unit["Service"]["ExecStart"].replace("%d", "/run/credentials").split()


def test_the_service_manager_finds_no_fault_with_the_unit(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    unit = tmp_path / "wattproof-record.service"
    unit.write_text(example("wattproof-record.service").replace("/usr/local/bin/wattproof", sys.executable))
    found = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], check=False, capture_output=True, text=True, timeout=60
    )
    assert (found.returncode, found.stderr) == (0, "")


def test_what_the_unit_starts_is_what_the_program_takes(capsys: pytest.CaptureFixture[str]) -> None:
    """It gets as far as the file that is not there, past every option."""
    _program, *words = unit_words()
    assert words[0] == "record"
    assert exit_status(*words) == 2
    said = capsys.readouterr().err
    assert "/etc/wattproof/bench.toml" in said
    assert "unrecognized" not in said
