"""The last moments of a recording: rows from before its end that relays still hold are waited for, for a while."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from analysis.rows import Event
from recorder.recording_session import RecordingSession
from recorder.source import ComesLate, NotHere, NotificationSource

LONGEST_S = 10.0
SAID_AFTER_S = 0.7  # what comes at once needs no words
LONGEST_SYNC_S = 2.0
_LOOK_S = 0.05


async def wait_for_late_rows(
    source: NotificationSource,
    session: RecordingSession,
    sync: Callable[[], Awaitable[None]],
    say: Callable[[str], None],
    hurry: asyncio.Event,
) -> tuple[NotHere, ...]:
    """Until all has come, `hurry` is set, or for ten seconds; what did not come is said and stands in the file."""
    if not isinstance(source, ComesLate):
        return ()
    source.ending()
    loop = asyncio.get_running_loop()
    began_s, said = loop.time(), False
    while (words := source.still_to_come()) and not hurry.is_set() and loop.time() - began_s < LONGEST_S:
        if not said and loop.time() - began_s >= SAID_AFTER_S:
            said = True
            say(f"waiting for {words}, {LONGEST_S:.0f} s at most; stop once more to end at once")
        await asyncio.sleep(_LOOK_S)
    await _synced(sync)
    missing = source.not_here()
    for found in missing:
        session.happened(Event.RELAY, relay=found.relay, state="missing", words=found.words, known_rows=found.count)
    return missing


async def _synced(sync: Callable[[], Awaitable[None]]) -> None:
    """So that the relays hear of all that came as safe, and let go of it."""
    try:
        async with asyncio.timeout(LONGEST_SYNC_S):
            await sync()
    except Exception:  # noqa: BLE001 - a disk that fails or hangs is told of by the journal, which syncs once more
        return
