"""A recorder whose files may not exceed 16 KiB: prints what the listener heard, as JSON."""

import asyncio
import json
import resource
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from recorder.journal import JournalEncoder
from recorder.journal_file import JournalFile
from recorder.storage import SystemStorage


async def record(folder: Path) -> None:
    heard: list[str] = []

    def listen(words: str, detail: Mapping[str, Any]) -> None:
        heard.append(words)

    encoder = JournalEncoder("limited-ride", {}, seed=9)
    journal = JournalFile(SystemStorage(), folder, "ride", encoder, time.monotonic_ns, listen)
    resource.setrlimit(resource.RLIMIT_FSIZE, (16384, resource.RLIM_INFINITY))
    for number in range(1000):
        journal.append(encoder.payload(number, "Alder", "2a63", bytes(18)))
        if number % 100 == 99:
            await journal.sync()
    await journal.finish({"rows": 1000})
    sys.stdout.write(json.dumps({"heard": heard, "lost": journal.lost_frames}))


if __name__ == "__main__":
    asyncio.run(record(Path(sys.argv[1])))
