"""Bounds the address space of this process, where the system can do that."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path

MOST_BYTES = 2 << 30  # beyond what the process has by now


@contextlib.contextmanager
def most_memory(more_bytes: int = MOST_BYTES) -> Iterator[None]:
    if sys.platform != "linux":
        yield
        return
    import resource

    pages = int(Path("/proc/self/statm").read_text().split()[0])
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    wanted = pages * resource.getpagesize() + more_bytes
    if soft != resource.RLIM_INFINITY:
        wanted = min(wanted, soft)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
