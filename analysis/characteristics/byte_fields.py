"""How little-endian fields lie in a payload, so that decoding never reads past its end and encoding mirrors it."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.characteristics.not_understood import NotUnderstood

ColumnValue = float | int | str | bool

# struct has no three-byte integer: such a field is taken as three bytes and turned into a number afterwards.
U24 = "3s"


@dataclass(frozen=True, slots=True)
class Field:
    """`name` holds the number as sent; `column` is its place in a recording, where it stands divided by `divisor`."""

    name: str
    code: str
    column: str | None = None
    divisor: int = 1


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that come and go together, announced by flag `bit` being set (or clear, where `present_if` is 0)."""

    bit: int
    fields: tuple[Field, ...]
    present_if: int = 1


class _Plan:
    """What one combination of flags announces, compiled once."""

    __slots__ = ("columns", "divided", "fields", "packed", "u24_places", "unkept")

    def __init__(self, flags_bytes: int, fields: tuple[Field, ...]) -> None:
        self.fields = fields
        self.packed = struct.Struct(f"<{flags_bytes}x" + "".join(f.code for f in fields))
        self.columns = tuple(f.column or f.name for f in fields)
        self.divided = tuple((f.column, f.divisor) for f in fields if f.column and f.divisor != 1)
        self.unkept = tuple(f.name for f in fields if not f.column)
        self.u24_places = tuple(place for place, f in enumerate(fields) if f.code == U24)


class FlaggedLayout:
    """A payload of flags, fields that are always there, and groups announced by the flags, in a fixed order."""

    def __init__(self, what: str, flags_bytes: int, always: Sequence[Field], groups: Sequence[Group]) -> None:
        self._what = what
        self._flags_bytes = flags_bytes
        self._always = tuple(always)
        self._groups = tuple(groups)
        self._announcing = sum(1 << group.bit for group in groups)
        self._plans: dict[int, _Plan] = {}

    def size(self, flags: int) -> int:
        """Bytes that a payload with these flags needs."""
        return self._plan(flags).packed.size

    def flags(self, data: bytes) -> int:
        """Raises `NotUnderstood` where not even the flags are there."""
        if len(data) < self._flags_bytes:
            raise NotUnderstood(f"{self._what}: too short, {len(data)} bytes")
        return data[0] if self._flags_bytes == 1 else data[0] | data[1] << 8

    def read(self, data: bytes) -> tuple[int, dict[str, int], bytes]:
        """Flags, numbers as sent by field name, and the bytes left over. Raises `NotUnderstood`."""
        flags, plan, numbers = self._unpack(data)
        names = (field.name for field in plan.fields)
        return flags, dict(zip(names, numbers, strict=True)), data[plan.packed.size :]

    def columns(self, data: bytes) -> tuple[int, dict[str, ColumnValue]]:
        """Flags and the values for a recording, by column. Raises `NotUnderstood`."""
        flags, plan, numbers = self._unpack(data)
        # Compiled from the same fields, so of one length; having that checked costs a third more.
        values: dict[str, Any] = dict(zip(plan.columns, numbers))  # noqa: B905
        for column, divisor in plan.divided:
            values[column] /= divisor
        for name in plan.unkept:
            del values[name]
        return flags, values

    def write(self, values: Mapping[str, int | None], other_flags: int = 0) -> bytes:
        """The payload with exactly the groups whose values are given. Raises ValueError if one is incomplete."""
        flags, body = other_flags, b"".join(self._written(field, values[field.name]) for field in self._always)
        for group in self._groups:
            present = any(values[field.name] is not None for field in group.fields)
            flags |= (present == group.present_if) << group.bit
            if present:
                body += b"".join(self._written(field, values[field.name]) for field in group.fields)
        return flags.to_bytes(self._flags_bytes, "little") + body

    def _written(self, field: Field, value: int | None) -> bytes:
        if value is None:
            raise ValueError(f"{self._what}: {field.name} is missing beside its companions")
        try:
            return value.to_bytes(3, "little") if field.code == U24 else struct.pack(f"<{field.code}", value)
        except (struct.error, OverflowError):
            raise ValueError(f"{self._what}: {field.name} = {value} does not fit its field") from None

    def _unpack(self, data: bytes) -> tuple[int, _Plan, Sequence[int]]:
        flags = self.flags(data)
        plan = self._plans.get(flags & self._announcing) or self._plan(flags)
        try:
            numbers: Any = plan.packed.unpack_from(data)
        except struct.error:
            reason = f"{self._what}: too short, {len(data)} bytes where its flags announce {plan.packed.size}"
            raise NotUnderstood(reason) from None
        if plan.u24_places:
            numbers = list(numbers)
            for place in plan.u24_places:
                numbers[place] = int.from_bytes(numbers[place], "little")
        return flags, plan, numbers

    def _plan(self, flags: int) -> _Plan:
        announced = flags & self._announcing
        if announced not in self._plans:
            present = (f for g in self._groups if (flags >> g.bit & 1) == g.present_if for f in g.fields)
            self._plans[announced] = _Plan(self._flags_bytes, (*self._always, *present))
        return self._plans[announced]


class ByteReader:
    """Takes numbers off the front of a payload; raises `NotUnderstood` where it has run out."""

    def __init__(self, what: str, data: bytes) -> None:
        self._what = what
        self._data = data
        self._at = 0

    def take(self, count: int) -> bytes:
        if self._at + count > len(self._data):
            raise NotUnderstood(f"{self._what}: too short, {len(self._data)} bytes")
        self._at += count
        return self._data[self._at - count : self._at]

    def unsigned(self, size: int) -> int:
        return int.from_bytes(self.take(size), "little")

    def signed(self, size: int) -> int:
        return int.from_bytes(self.take(size), "little", signed=True)

    def rest(self) -> bytes:
        return self.take(len(self._data) - self._at)
