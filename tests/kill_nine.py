"""A recorder to be killed: appends rows without end and says on standard output how many appends have returned."""

import asyncio
import os
import sys
import time
from pathlib import Path

from recorder.journal import JournalEncoder
from recorder.journal_file import JournalFile
from recorder.storage import SystemStorage


async def record(folder: Path) -> None:
    encoder = JournalEncoder("killed-ride", {"pid": os.getpid()}, seed=9)
    journal = JournalFile(SystemStorage(), folder, "ride", encoder, time.monotonic_ns, lambda words, detail: None)
    number = 0
    while True:
        for _ in range(20):
            journal.append(encoder.payload(number, f"meter {number % 5}", "2a63", number.to_bytes(8, "big")))
            number += 1
            os.write(1, b"%d\n" % number)
        await journal.sync()


if __name__ == "__main__":
    asyncio.run(record(Path(sys.argv[1])))
