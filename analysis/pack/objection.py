"""What an objection is: what a maker may say, what was recorded on it, and one of three words for how it stands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

from analysis.safe_text import safe_text

LONGEST_TEXT = 2000

Word = Literal["answered", "open", "weakness"]
WORDS: tuple[Word, ...] = get_args(Word)
# A fact that decides nothing, such as who was compared.
NOTED: Literal["noted"] = "noted"
MEANING: dict[Word, str] = {
    "answered": "what was recorded speaks against the objection",
    "open": "too little was recorded to say",
    "weakness": "the objection holds: a shortcoming of this test, not of the meter",
}
Chapter = Literal["The meters", "The ride", "The judging", "The record"]
CHAPTERS: tuple[Chapter, ...] = get_args(Chapter)


@dataclass(frozen=True)
class Finding:
    """One recorded fact, as a whole sentence, and what it means for the objection."""

    word: Word | Literal["noted"]
    says: str


@dataclass(frozen=True)
class Objection:
    """`objects` is said by whoever disputes the test; `rule` is how the word is chosen, the same for every ride."""

    key: str
    chapter: Chapter
    objects: str
    rule: str
    findings: tuple[Finding, ...]

    @property
    def word(self) -> Word:
        """The worst of its findings; open where none decides."""
        told: list[Word] = [f.word for f in self.findings if f.word != NOTED]
        return max(told, key=WORDS.index, default="open")

    @property
    def worst_first(self) -> tuple[Finding, ...]:
        order = (*reversed(WORDS), NOTED)
        return tuple(sorted(self.findings, key=lambda f: order.index(f.word)))


def answered(says: str) -> Finding:
    return Finding("answered", says)


def still_open(says: str) -> Finding:
    return Finding("open", says)


def weakness(says: str) -> Finding:
    return Finding("weakness", says)


def noted(says: str) -> Finding:
    return Finding(NOTED, says)


def objection(key: str, chapter: Chapter, objects: str, rule: str, findings: Iterable[Finding]) -> Objection:
    """What devices and people wrote stands in the findings: here it is made harmless, for every form of them."""
    safe = tuple(Finding(f.word, safe_text(f.says, LONGEST_TEXT)) for f in findings)
    return Objection(key, chapter, objects, rule, safe)


def listed(names: Iterable[str]) -> str:
    """Alder, Birch and Cedar."""
    told = list(names)
    return ", ".join(told[:-1]) + " and " + told[-1] if len(told) > 1 else "".join(told)
