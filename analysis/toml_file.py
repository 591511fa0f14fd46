"""Reading a TOML file a person wrote: bounded, strict, and with errors that name the place in their words."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from analysis.errors import BadInput
from analysis.safe_text import safe_path, safe_text

MAX_BYTES = 64 * 1024
# tomllib takes seconds over thousands of dotted keys and recurses over nested arrays; ours need neither.
_TOO_DEEP = re.compile(rb"(?:[A-Za-z0-9_-]+\s*\.\s*){8}|\[{9}")
_PLACE = re.compile(r" - at `\$(?P<path>[^`]*)`$")
_PATH_PART = re.compile(r"\.(?P<key>\w+)|\[(?P<index>\d+|\.\.\.)\]")
_UNKNOWN_KEY = re.compile(r"^Object contains unknown field `(?P<key>.*)`$", re.DOTALL)
_PLAIN_TYPES = {
    "float": "a number",
    "int": "a whole number",
    "str": "text",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
    "date": "a date",
}
_TYPE_NAME = re.compile(r"`(float|int|str|bool|array|object|date)(?: \| null)?`")
_UNKNOWN_WORD = re.compile(r"^Invalid enum value (?P<word>.*)$", re.DOTALL)
_MISSING_KEY = re.compile(r"^Object missing required field `(?P<key>.*)`$")

T = TypeVar("T")


class TomlTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """Base of every table of our files; unknown keys are refused, defaults are left out when written."""


def read_toml(path: Path, error: type[BadInput]) -> tuple[dict[str, Any], str]:
    """The parsed file and its text; any fault in reading or syntax becomes `error`."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as fault:
        raise error(f"{safe_path(path)} cannot be read ({fault.strerror}); check the path.") from fault
    return parse_toml(data, str(path), error)


def parse_toml(data: bytes, name: str, error: type[BadInput]) -> tuple[dict[str, Any], str]:
    if len(data) > MAX_BYTES:
        raise error(f"{safe_text(name, 200)} is larger than 64 KiB, which no file of this kind needs.")
    if _TOO_DEEP.search(data):
        raise error(f"{safe_text(name, 200)} nests keys or lists far deeper than a file of this kind does.")
    try:
        text = data.decode("utf-8")
        table = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError, ValueError) as fault:
        raise error(f"{safe_text(name, 200)} is not valid TOML: {safe_text(str(fault), 160)}.") from fault
    if not _all_finite(table):
        raise error(f"{safe_text(name, 200)} holds inf or nan, which no quantity here can be.")
    return table, text


def convert_table(table: dict[str, Any], kind: type[T], name: str, text: str, error: type[BadInput]) -> T:
    """The table as `kind` (a msgspec Struct); a fault is named by path, entry and, where unique, line."""
    try:
        return msgspec.convert(table, kind, strict=True)
    except msgspec.ValidationError as fault:
        raise error(f"{safe_text(name, 200)}: {_in_words(str(fault), table, text, kind)}") from fault


def _in_words(message: str, table: dict[str, Any], text: str, kind: type[Any]) -> str:
    # The library gives its finding as text only; this is the one place that takes that text apart.
    found = _PLACE.search(message)
    path = found["path"] if found else ""
    core = message[: found.start()] if found else message
    where, last_key = _place_in_words(path, table)
    if unknown := _UNKNOWN_KEY.match(core):
        key = safe_text(unknown["key"])
        return f"{where}unknown key `{key}`{_line_of(key, text)}; see the README for the keys there are."
    if missing := _MISSING_KEY.match(core):
        return f"{where}the key `{missing['key']}` is missing."
    if wrong := _UNKNOWN_WORD.match(core):
        choice = ", ".join(_choice(kind, path))
        return f"{where}{safe_text(wrong['word'])} is none of {choice}{_line_of(last_key, text)}."
    plain = _TYPE_NAME.sub(lambda name: _PLAIN_TYPES[name[1]], core)
    sentence = plain[0].lower() + plain[1:]
    return f"{where}{safe_text(sentence, 200)}{_line_of(last_key, text)}."


def _choice(kind: type[Any], path: str) -> list[str]:
    """The words that may stand at this place."""
    here: Any = msgspec.inspect.type_info(kind)
    for part in _PATH_PART.finditer(path):
        if part["key"]:
            here = next(field.type for field in here.fields if field.encode_name == part["key"])
        if isinstance(here, msgspec.inspect.UnionType):
            here = next(t for t in here.types if not isinstance(t, msgspec.inspect.NoneType))
        if part["index"]:
            here = here.item_type
    return [str(value) for value in here.values]


def _place_in_words(path: str, table: Any) -> tuple[str, str]:
    """`.meter[1].claim_pct` as `meter 2 (Birch), claim_pct: `, and the last key."""
    words: list[str] = []
    last_key = ""
    for part in _PATH_PART.finditer(path):
        if part["key"]:
            last_key = part["key"]
            table = table.get(last_key, {}) if isinstance(table, dict) else {}
            words.append(last_key)
        elif part["index"].isdigit():
            index = int(part["index"])
            table = table[index] if isinstance(table, Sequence) and index < len(table) else {}
            label = table.get("name") if isinstance(table, dict) else None
            words[-1] += f" {index + 1}" + (f" ({safe_text(label)})" if isinstance(label, str) else "")
    return (", ".join(words) + ": " if words else ""), last_key


def _line_of(key: str, text: str) -> str:
    if not key:
        return ""
    pattern = re.compile(rf"(?<![\w-]){re.escape(key)}\"?\s*(?:=|\])")
    lines = [number for number, line in enumerate(text.splitlines(), 1) if pattern.search(line)]
    return f" (line {lines[0]})" if len(lines) == 1 else ""


def _all_finite(value: Any) -> bool:
    if isinstance(value, dict):
        return all(_all_finite(v) for v in value.values())
    if isinstance(value, list):
        return all(_all_finite(v) for v in value)
    return not isinstance(value, float) or math.isfinite(value)
