"""A broker inside this process, for demonstrations where none is installed; the only place that knows amqtt.

It listens to this machine alone and lets everybody in. It serves a handful of clients; it is nothing to record with.
"""

from __future__ import annotations

import logging
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib.util import find_spec
from typing import Any

from simulated_sensors.errors import NoSimulation

_MOST_CLIENTS = 32
_TRIES = 3


def require_amqtt(find: Callable[[str], object] = find_spec) -> None:
    """:raises NoSimulation: with the way out."""
    if find("amqtt") is None:
        raise NoSimulation(
            "a broker inside the demo needs the package amqtt: install it with `pip install 'wattproof[simulate]'`, "
            "or start one, such as `mosquitto -p 1883`, and add `--broker mqtt://127.0.0.1:1883`"
        )


@asynccontextmanager
async def embedded_broker() -> AsyncIterator[str]:
    """Its URL, as long as the block runs. :raises NoSimulation: where it cannot be started."""
    require_amqtt()
    from amqtt.broker import Broker

    _silence()
    for attempt in range(1, _TRIES + 1):
        port = _free_port()
        broker = Broker(_settings(port))
        try:
            await broker.start()
        except Exception as fault:  # whatever it is, the port may have been taken meanwhile
            if attempt == _TRIES:
                raise NoSimulation(f"the broker inside the demo cannot be started: {fault}") from fault
            continue
        break
    try:
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        await broker.shutdown()


def _settings(port: int) -> dict[str, Any]:
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": _MOST_CLIENTS}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _silence() -> None:
    """What it has to say of every connection is of no use to who watches a ride."""
    logger = logging.getLogger("amqtt")
    logger.addHandler(logging.NullHandler())
    logger.propagate = False
