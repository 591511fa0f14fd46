"""A relay in a process of its own, with a clock of its own: forwards numbered packets of Birch until told to stop.

Arguments: URL of the broker, seconds ahead, ppm fast, interval in seconds. Prints `sent NUMBER TRUE_NS` for each
packet by the clock that all processes of this computer share, and whatever the relay says as `said WORDS`. SIGUSR1
pauses the sensor, SIGTERM ends the relay.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys

from recorder.broker_address import open_broker
from recorder.relay_forwarder import RelayForwarder, RelayJob
from recorder.signals import ending_signals
from tests.relaying import TOPICS, NumberedSensor, SkewedClock


def tell(words: str) -> None:
    os.write(1, f"{words}\n".encode())


async def main() -> None:
    url, ahead_s, drift_ppm, interval_s = sys.argv[1], *map(float, sys.argv[2:5])
    clock = SkewedClock(ahead_s, drift_ppm)
    sensor = NumberedSensor(clock, interval_s=interval_s, on_sent=lambda number, ns: tell(f"sent {number} {ns}"))
    job = RelayJob(TOPICS, open_broker(url), ["Birch"])
    forwarder = RelayForwarder(job, sensor, clock, lambda words: tell(f"said {words}"))
    asyncio.get_running_loop().add_signal_handler(signal.SIGUSR1, lambda: setattr(sensor, "paused", True))
    with ending_signals(forwarder.stop):
        tell(f"ended {(await forwarder.run()).in_words()}")


if __name__ == "__main__":
    asyncio.run(main())
