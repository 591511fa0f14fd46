"""Walks an XML file of any size in little memory: hands over one point at a time, and refuses what is no ride."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import ParseError, iterparse

from analysis.errors import BadRideFile
from analysis.safe_text import safe_text

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

DEEPEST = 32
# A point has some twenty parts; whatever else a file has, laps and headings, is little beside its points. An element
# with its value takes some 25 bytes; a flood of empty ones would keep the parser busy for minutes.
MOST_PARTS = 200
MOST_BESIDE = 50_000
CROWDED_FROM, LEAST_BYTES_EACH = 50_000, 12
LONGEST_TEXT = 64
# No element, comment or text of a ride file is anywhere near this long.
MOST_BYTES_BETWEEN = 1 << 20


class _Watched(io.BytesIO):
    """Stops a parser that keeps on reading without finding an element's end."""

    since_event = 0
    taken = 0
    where = ""

    def read(self, size: int | None = -1, /) -> bytes:
        data = super().read(size)
        self.since_event += len(data)
        self.taken += len(data)
        if self.since_event > MOST_BYTES_BETWEEN:
            raise BadRideFile(f"{self.where} has a text or tag of more than a megabyte, which no ride file has")
        return data


def local_name(element: Element) -> str:
    """Without its namespace: devices do not agree on those of extensions."""
    tag = element.tag
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""


def text_of(element: Element) -> str:
    return (element.text or "")[:LONGEST_TEXT].strip()


class XmlStream:
    """`captured` are the elements that are handed over whole; of all others the caller sees the start and the end."""

    def __init__(self, data: bytes, where: str, captured: frozenset[str]) -> None:
        self._source = _Watched(data)
        self._source.where = where
        self._where = where
        self._captured = captured
        self.fault = ""

    def walk(self, on_start: Callable[[str, Element], None], on_end: Callable[[str, Element, str], None]) -> None:
        """`on_start(name, element)` with attributes only; `on_end(name, element, name of its parent)`.

        What breaks the file off is left in `fault`.

        :raises BadRideFile: for what is dangerous rather than broken.
        """
        stack: list[Element] = []
        inside: Element | None = None
        parts = beside = elements = 0
        for event, element in self._events():
            self._source.since_event = 0
            name = local_name(element)
            if event == "start":
                stack.append(element)
                if len(stack) > DEEPEST:
                    raise BadRideFile(f"{self._where} nests elements deeper than any ride file; it is not read")
                if inside is None:
                    on_start(name, element)
                    inside, parts = (element, 0) if name in self._captured else (None, 0)
                    beside += inside is None
                parts += 1
                elements += 1
                if parts > MOST_PARTS or beside > MOST_BESIDE or self._crowded(elements):
                    raise BadRideFile(f"{self._where} holds far more elements than a ride; it is not read")
                continue
            stack.pop()
            if inside is not None and element is not inside:
                continue
            inside, parts = None, 0
            on_end(name, element, local_name(stack[-1]) if stack else "")
            if stack:
                stack[-1].remove(element)

    def _crowded(self, elements: int) -> bool:
        return elements > CROWDED_FROM and self._source.taken < LEAST_BYTES_EACH * elements

    def _events(self) -> Iterator[tuple[str, Element]]:
        try:
            yield from iterparse(self._source, events=("start", "end"), forbid_dtd=True)
        except DefusedXmlException as fault:
            raise BadRideFile(
                f"{self._where} declares a document type or entities, which no ride file needs; it is not read"
            ) from fault
        except ParseError as fault:
            self.fault = safe_text(str(fault), 80)
        except (ValueError, LookupError) as fault:
            self.fault = safe_text(str(fault), 80)
