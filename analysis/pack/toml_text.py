"""Writes a table of plain values as TOML 1.0, for people who want a bench or plan file back out of a recording."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def toml_text(table: Mapping[str, Any]) -> str:
    """Tables and lists of tables as sections, one level deep, as our files are; tables within these are inline."""
    return "\n".join(_sections(table)).strip("\n") + "\n"


def _sections(table: Mapping[str, Any]) -> Iterator[str]:
    yield from _pairs({k: v for k, v in table.items() if not _is_section(v)})
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from ("", f"[{_key(key)}]", *_pairs(value))
        elif _is_section(value):
            for entry in value:
                yield from ("", f"[[{_key(key)}]]", *_pairs(entry))


def _is_section(value: Any) -> bool:
    tables = isinstance(value, list | tuple) and bool(value) and all(isinstance(v, Mapping) for v in value)
    return isinstance(value, Mapping) or tables


def _pairs(table: Mapping[str, Any]) -> Iterator[str]:
    return (f"{_key(key)} = {_value(value)}" for key, value in table.items())


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(_pairs(value)) + " }" if value else "{}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(value)


def _text(text: str) -> str:
    # JSON escapes all that TOML wants escaped, but for the delete character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
