"""What the rider of the demo does by hand: asks for every zero offset once more, in the step meant for that."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from recorder.companions import Riding
from recorder.control_words import Ask

LOOK_S = 1.0
STAND_STILL_S = 5.0  # meters say zero some 3 s after the cranks have stopped
PATIENCE_S = 13.0


@asynccontextmanager
async def zeroes_again(riding: Riding) -> AsyncIterator[None]:
    """A companion of the recording."""
    hand = asyncio.create_task(_zero_in_its_step(riding))
    try:
        yield
    finally:
        hand.cancel()
        with suppress(asyncio.CancelledError):
            await hand


async def _zero_in_its_step(riding: Riding) -> None:
    while not _in_the_step(riding):  # noqa: ASYNC110 - a plan tells its state to one listener only
        await asyncio.sleep(LOOK_S)
    await asyncio.sleep(STAND_STILL_S)
    riding.control.do(Ask("zero"))
    await asyncio.sleep(PATIENCE_S)
    # With a screen the step waits for every meter, and one behind a relay is not asked from here.
    if _in_the_step(riding):
        riding.control.do(Ask("next"))


def _in_the_step(riding: Riding) -> bool:
    plan = riding.run.plan
    turn = None if plan is None else plan.state.turn
    return turn is not None and turn.step.kind == "zero"
