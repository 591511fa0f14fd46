"""What may run beside a recording - a status, a watch on the battery, the service manager - and can never harm it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from dataclasses import dataclass

from recorder.recording_run import RecordingRun
from recorder.recording_session import RecordingSession
from recorder.ride_control import RideControl


@dataclass(frozen=True)
class Riding:
    """The recording that runs."""

    control: RideControl
    session: RecordingSession
    run: RecordingRun


# Entered when the recording begins, left when the file is finished or could not be; each is bounded in time.
Companion = Callable[[Riding], AbstractAsyncContextManager[None]]


@asynccontextmanager
async def accompanied(
    companions: Sequence[Companion], riding: Riding, say: Callable[[str], None]
) -> AsyncIterator[None]:
    """A companion that cannot begin or end properly is told of, and the ride goes on without it."""
    async with AsyncExitStack() as stack:
        for companion in companions:
            await stack.enter_async_context(_harmless(companion(riding), say))
        yield


@asynccontextmanager
async def _harmless(beside: AbstractAsyncContextManager[None], say: Callable[[str], None]) -> AsyncIterator[None]:
    begun = False
    try:
        await beside.__aenter__()
        begun = True
    except Exception as fault:  # noqa: BLE001 - whatever breaks beside a recording, the recording goes on
        say(f"what runs beside the recording could not begin ({type(fault).__name__}: {fault})")
    try:
        yield
    finally:
        try:
            if begun:
                await beside.__aexit__(None, None, None)
        except Exception as fault:  # noqa: BLE001 - as above
            say(f"what ran beside the recording failed ({type(fault).__name__}: {fault})")
