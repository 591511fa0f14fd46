"""Runs the experiments of this folder, or those that words for pytest choose, and prints what they measured."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest


class Table:
    """A plugin of pytest that gathers what the experiments tell."""

    def __init__(self) -> None:
        self.lines: list[tuple[int, str, str, str, str]] = []

    def pytest_runtest_logreport(self, report: Any) -> None:
        test = report.nodeid.rpartition("/")[2]
        if report.when == "call":
            self.lines += [(*told, test) for name, told in report.user_properties if name == "fault"]

    def in_words(self) -> str:
        head = ["| fault | provoked by | the user saw | measured | test |", "|---|---|---|---|---|"]
        return "\n".join([*head, *("| " + " | ".join(map(str, line)) + " |" for line in sorted(self.lines))])


def main(words: list[str]) -> int:
    table = Table()
    named = any(Path(word.partition("::")[0]).exists() for word in words)
    where = [] if named else [str(Path(__file__).parent)]
    status = pytest.main([*where, "-q", "-m", "", *words], plugins=[table])
    sys.stdout.write(f"\n{table.in_words()}\n")
    return int(status)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
