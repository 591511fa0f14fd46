"""Fuzz for as long as you like: `python -m tests.fuzz [TARGET ...] [--minutes N]`, all targets where none is named.

With atheris (`pip install atheris`, 3.0 was tried) the fuzzer is guided by coverage; without it hypothesis draws
inputs by chance. What does what it must not is kept; mended, it belongs into `tests/fuzz/crashes/TARGET/`.
"""

# ruff: noqa: T201 - it is run by hand, and tells what it finds

from __future__ import annotations

import argparse
import importlib
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path
from time import monotonic
from typing import Any

LONGEST_S = 10  # of one input
# At once, and in all: what watches the coverage keeps some megabytes of every slow input, which is no leak of ours.
MOST_MB_AT_ONCE, MOST_MB = 1024, 6144
LONGEST_INPUT = 16_384


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__.splitlines()[0])
    parser.add_argument("targets", metavar="TARGET", nargs="*")
    parser.add_argument("--minutes", type=float, default=1.0, help="for each target")
    parser.add_argument("--found", type=Path, default=Path(tempfile.gettempdir()) / "wattproof-fuzz", metavar="DIR")
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.here:
        return _fuzz(options.targets[0], options.minutes * 60, options.found)
    from tests.fuzz.targets import all_targets

    known = all_targets()
    unknown = [name for name in options.targets if name not in known]
    if unknown:
        print(f"there is no target `{unknown[0]}`; there are {', '.join(known)}", file=sys.stderr)
        return 2
    failed = [name for name in options.targets or known if _in_own_process(name, options) != 0]
    print(f"failed: {', '.join(failed)}" if failed else "nothing was found")
    return 1 if failed else 0


def _in_own_process(name: str, options: argparse.Namespace) -> int:
    """A fuzzer ends its process, and what it fuzzes may do so too."""
    words = [name, "--here", "--minutes", str(options.minutes), "--found", str(options.found)]
    print(f"{name}:", flush=True)
    return subprocess.run([sys.executable, "-m", "tests.fuzz", *words], check=False).returncode


def _fuzz(name: str, seconds: float, found: Path) -> int:
    warnings.simplefilter("error")
    try:
        atheris = importlib.import_module("atheris")
    except ImportError:
        return _by_chance(name, seconds, found)
    _guided(atheris, name, seconds, found)
    return 0


def _guided(atheris: Any, name: str, seconds: float, found: Path) -> None:
    """Does not return: the fuzzer ends the process. The corpus is kept, so that the next run goes on from there."""
    with atheris.instrument_imports(include=["analysis", "recorder"]):
        from tests.fuzz.targets import all_targets

        target = all_targets()[name]
    corpus, crashes = found / "corpus" / name, found / "crashes" / name
    for folder in (corpus, crashes):
        folder.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds()):
        (corpus / f"seed-{number}").write_bytes(seed)
    limits = [f"-max_total_time={round(seconds)}", f"-timeout={LONGEST_S}", f"-rss_limit_mb={MOST_MB}"]
    limits.append(f"-malloc_limit_mb={MOST_MB_AT_ONCE}")
    told = ["-print_final_stats=1", "-verbosity=0", f"-max_len={LONGEST_INPUT}", f"-artifact_prefix={crashes}/"]
    atheris.Setup([sys.argv[0], *limits, *told, str(corpus)], target.run)
    atheris.Fuzz()


def _by_chance(name: str, seconds: float, found: Path) -> int:
    from hypothesis import HealthCheck, given, settings
    from hypothesis import seed as seeded

    from tests.fuzz.memory import most_memory
    from tests.fuzz.mutations import Mutant, mutants
    from tests.fuzz.targets import all_targets

    target = all_targets()[name]
    runs, last, until = 0, b"", monotonic() + seconds

    seeds = list(target.seeds())

    def once(mutant: Mutant) -> None:
        nonlocal runs, last
        runs, last = runs + 1, mutant.data(seeds)
        target.run(last)

    checked = settings(max_examples=500, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    try:
        while monotonic() < until:
            with most_memory():
                decorated: list[Any] = [seeded(runs), checked, given(mutants(len(seeds)))]
                attempt: Any = once
                for decorate in reversed(decorated):
                    attempt = decorate(attempt)
                attempt()
    except Exception:
        kept = found / "crashes" / name
        kept.mkdir(parents=True, exist_ok=True)
        (kept / f"chance-{runs}").write_bytes(last)
        print(f"after {runs} inputs; the input is {kept}/chance-{runs}", file=sys.stderr)
        raise
    print(f"{runs} inputs, without atheris", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
