"""A recorder that nobody looks at, as a process: one sensor at 20 Hz, and a battery that the test holds."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from recorder.companions import Companion
from recorder.compose import RecordJob, Surroundings, record
from recorder.headless_status import SensorBatteries
from recorder.headless_status_publisher import StatusPublisher
from recorder.host_battery import BatteryStop
from recorder.host_clock import SystemClock
from recorder.mqtt_client import open_broker
from recorder.source import RecordSink
from recorder.storage import SystemStorage
from tests.riding import FakeSource, one_meter_bench, payload


def say(words: str) -> None:
    sys.stderr.write(f"{words}\n")


async def ride(asked: dict[str, Any]) -> None:
    clock, batteries = SystemClock(), SensorBatteries()
    supplies = Path(asked["supplies"])
    companions: list[Companion] = [BatteryStop(8, supplies, every_s=0.1).beside]
    if asked.get("url"):
        status = StatusPublisher(
            open_broker(asked["url"]), "wattproof/quayside-bench", "Quayside bench", clock, say, batteries,
            bool(asked.get("accept_stop")), supplies, every_s=0.3,
        )  # fmt: skip
        companions.append(status.beside)

    async def deliver(sink: RecordSink) -> None:
        sink.received(clock.now_ns(), "Alder", "2a19", bytes([77]), "read")  # Battery Level, in percent
        for number in range(10**6):
            sink.received(clock.now_ns(), "Alder", "2a63", payload(number))
            await asyncio.sleep(0.02)

    around = Surroundings(
        clock, SystemStorage(), FakeSource([deliver], present=frozenset({"Alder"})), say, (batteries,),
        companions=companions,
    )  # fmt: skip
    job = RecordJob(one_meter_bench(), Path(asked["folder"]), needed_bytes=0, control=bool(asked.get("control")))
    summary = await record(job, around)
    sys.stdout.write(json.dumps(summary.as_dict()))


if __name__ == "__main__":
    asyncio.run(ride(json.loads(sys.argv[1])))
