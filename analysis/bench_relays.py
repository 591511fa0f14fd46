"""The tables `[[relay]]` of a bench file: which sensors are reached by another machine, and through which broker."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated

from msgspec import Meta

from analysis.safe_text import safe_text
from analysis.toml_file import TomlTable

# Both become parts of topics: together with the rest, a topic stays within 64 characters.
SESSION_LENGTH, RELAY_LENGTH = 24, 16
_TOKEN = re.compile(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?")
Address = Annotated[str, Meta(max_length=300)]


class Relay(TomlTable, frozen=True, kw_only=True):
    """`session` keeps benches that share a broker apart. Files are named from where the bench file lies."""

    name: Address
    sensors: tuple[str, ...]
    session: Address = "bench"
    broker: Address | None = None
    ca: Address | None = None
    password_file: Address | None = None

    @property
    def public(self) -> Relay:
        """Without what is nobody's business but the owner's."""
        return Relay(name=self.name, sensors=self.sensors, session=self.session)


def is_token(name: str, most: int) -> bool:
    """Whether it can be a part of a topic that no broker could misread."""
    return len(name) <= most and _TOKEN.fullmatch(name) is not None


def relay_contradictions(relays: Sequence[Relay], names: Sequence[str]) -> list[str]:
    """`names`: of the meters and sensors of the bench."""
    found = []
    taken: dict[str, str] = {}
    for number, relay in enumerate(relays, 1):
        where = f"relay {number} ({safe_text(relay.name, 32)}):"
        for what, name, most in (("name", relay.name, RELAY_LENGTH), ("session", relay.session, SESSION_LENGTH)):
            if not is_token(name, most):
                found.append(f"{where} `{what}` becomes part of a topic; use up to {most} of a-z, 0-9 and -.")
        if relay.name in [earlier.name for earlier in relays[: number - 1]]:
            found.append(f"{where} another relay has this name; names must differ.")
        if not relay.sensors:
            found.append(f'{where} name what it reaches, such as sensors = ["Alder"].')
        for name in relay.sensors:
            if name not in names:
                found.append(f"{where} there is no meter or sensor named `{safe_text(name)}`.")
            if name in taken:
                found.append(f"{where} `{safe_text(name)}` is reached by {taken[name]} already.")
            taken[name] = relay.name
    return found
