"""A recorder of what relay pocket sends of Birch, in a process of its own, to be killed. Arguments: URL, folder."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from recorder.broker_address import open_broker
from tests.relaying import RecorderSide


async def main() -> None:
    recorder = RecorderSide(Path(sys.argv[2]), open_broker(sys.argv[1]))
    recorder.record()
    await recorder.recording


if __name__ == "__main__":
    asyncio.run(main())
