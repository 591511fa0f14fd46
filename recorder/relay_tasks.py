"""Several pieces of work of which the first to end or fail ends all; knows nothing of what they do."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any


async def together(*works: Coroutine[Any, Any, None]) -> None:
    """Until the first ends; its error is raised as it is, not in a group. The others are cancelled and waited for."""
    tasks = [asyncio.ensure_future(work) for work in works]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()
