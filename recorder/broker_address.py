"""Which broker, over TLS or not, with which account: read from a URL and files; opens no connection.

A password comes from a file or the environment, never from the command line, where every user of the machine could
read it, and it is in no `repr`.
"""

from __future__ import annotations

import argparse
import ipaddress
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from analysis.errors import BadInput
from analysis.safe_text import safe_text

if TYPE_CHECKING:
    import ssl

PASSWORD_VARIABLE = "WATTPROOF_BROKER_PASSWORD"  # noqa: S105 (its name, not a password)
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_HOST = re.compile(r"(?=.{1,253}$)[A-Za-z0-9_-]{1,63}(\.[A-Za-z0-9_-]{1,63})*\.?")
_USER = re.compile(r"[A-Za-z0-9._@-]{1,64}")
_TOPIC = re.compile(r"[a-z0-9-]+(/[a-z0-9-]+)*")
_LONGEST_TOPIC = 64
_LONGEST_PASSWORD = 1024


@dataclass(frozen=True)
class BrokerAddress:
    host: str
    port: int
    tls: bool
    user: str | None = None

    @classmethod
    def from_url(cls, text: str) -> BrokerAddress:
        """`mqtt://host`, `mqtts://user@host:port`. :raises BadInput: for anything else."""
        shown = safe_text(_without_password(text), 100)
        no_address = f"{shown}: not the address of a broker; write mqtts://HOST or mqtts://HOST:PORT."
        try:
            parts = urlsplit(text)
            host, port = parts.hostname, parts.port
        except ValueError as error:
            raise BadInput(no_address) from error
        if parts.scheme not in _PORTS or parts.path not in ("", "/") or parts.query or parts.fragment or port == 0:
            raise BadInput(no_address)
        if parts.password is not None:
            raise BadInput(
                f"{shown}: a password on the command line can be read by every user of this computer; leave it out "
                f"and use --password-file FILE or the environment variable {PASSWORD_VARIABLE}."
            )
        if not host or not (_HOST.fullmatch(host) or _is_number(host)):
            raise BadInput(f"{shown}: there is no usable host name in this address; write mqtts://HOST:PORT.")
        user = unquote(parts.username) if parts.username else None
        if user is not None and not _USER.fullmatch(user):
            raise BadInput(f"{shown}: the account may hold letters, digits and . _ @ - only.")
        return cls(host, _PORTS[parts.scheme] if port is None else port, parts.scheme == "mqtts", user)

    @property
    def local(self) -> bool:
        return self.host == "localhost" or (_is_number(self.host) and ipaddress.ip_address(self.host).is_loopback)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


@dataclass(frozen=True)
class Broker:
    """All that is needed to connect. One TLS context serves every connection."""

    address: BrokerAddress
    password: str | None = field(default=None, repr=False)
    tls_context: ssl.SSLContext | None = field(default=None, repr=False, compare=False)


def open_broker(
    url: str,
    ca_file: Path | None = None,
    password_file: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Broker:
    """Reads what the options name, so that faults come out before anything is started. :raises BadInput:"""
    address = BrokerAddress.from_url(url)
    password = read_password(password_file, environment or {}) if address.user is not None else None
    if password_file is not None and address.user is None:
        raise BadInput(f"{address}: a password needs an account; write {_with_account(address)}.")
    if ca_file is not None and not address.tls:
        raise BadInput(f"{address}: a certificate is of use with mqtts:// only; write mqtts:// or name none.")
    if password is not None and not address.tls and not address.local:
        raise BadInput(f"{address}: without TLS the password could be read on the way; write mqtts://.")
    return Broker(address, password, tls_context(ca_file) if address.tls else None)


def add_broker_options(parser: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
    """The options beside the URL, alike for every command that talks to a broker."""
    parser.add_argument("--ca", type=Path, metavar="FILE", help="trust only this certificate authority (PEM)")
    parser.add_argument("--password-file", type=Path, metavar="FILE", help="the broker account's password, one line")


def examples_to_copy() -> str:
    """One sentence that names the folder, which lies wherever this program was installed."""
    from importlib.resources import files

    folder = files("recorder").joinpath("services")
    return f"To copy and change: a service unit, a broker's settings, accounts and topic rules, in\n{folder}"


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """Certificate and host name are always checked; with `ca_file` this authority alone is trusted."""
    import ssl  # most commands have these options and no broker

    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except ssl.SSLError as error:
        raise BadInput(f"{ca_file}: holds no certificate in PEM form; name the file of the authority.") from error
    except OSError as error:
        raise BadInput(f"{ca_file}: cannot be read ({error.strerror}); name the file of the authority.") from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def read_password(password_file: Path | None, environment: Mapping[str, str]) -> str | None:
    """The file's first line, else the environment's word, else none."""
    if password_file is None:
        return environment.get(PASSWORD_VARIABLE) or None
    try:
        with password_file.open(encoding="utf-8") as file:
            line = file.readline(_LONGEST_PASSWORD + 2).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8"
        raise BadInput(f"{password_file}: the password cannot be read ({why}).") from error
    if not line or len(line) > _LONGEST_PASSWORD:
        raise BadInput(f"{password_file}: the first line must be the password, up to {_LONGEST_PASSWORD} characters.")
    return line


def checked_topic(text: str) -> str:
    """A topic that no broker and no wildcard can misread. :raises BadInput:"""
    if len(text) > _LONGEST_TOPIC or not _TOPIC.fullmatch(text):
        raise BadInput(
            f"{safe_text(text, 80)}: not a usable topic; use up to {_LONGEST_TOPIC} of a-z, 0-9 and -, "
            "with single / between them."
        )
    return text


def _is_number(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _without_password(url: str) -> str:
    """Whatever stands between a colon and the last @ is not repeated on a terminal."""
    return re.sub(r"(//[^/@:]*):.*@", r"\1:…@", url)


def _with_account(address: BrokerAddress) -> str:
    return str(address).replace("://", "://ACCOUNT@", 1)
