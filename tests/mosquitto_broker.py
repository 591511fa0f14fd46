"""A private Mosquitto for a test, on a free port, with what is asked for; and certificates for its TLS."""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
import secrets
import shutil
import socket
import subprocess
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_mosquitto = pytest.mark.skipif(PROGRAM is None, reason="the program mosquitto is not installed")
START_S = 10.0
_AUTHORITY = "Quayside authority"


def free_port() -> int:
    """Below those that the system gives out by itself: nobody takes it meanwhile, and nobody meets himself there."""
    while True:
        port = 20_000 + secrets.randbelow(12_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


@dataclass
class Mosquitto:
    """Use it in a `with`, or `start` and `kill` it at will; the port stays the same.

    `rules` is an access file (mosquitto.conf(5), acl_file), `accounts` gives passwords by name, `tls` a folder made
    by `make_certificates`. `settings` takes the place of all of these; it may hold {port}.
    """

    folder: Path
    accounts: Mapping[str, str] = field(default_factory=dict)
    rules: str = ""
    tls: Path | None = None
    more: str = ""
    settings: str | None = None
    host: str = "127.0.0.1"
    prefix: tuple[str, ...] = ()
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    @property
    def url(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"

    def start(self) -> None:
        if PROGRAM is None:
            pytest.skip("the program mosquitto is not installed")
        settings = self.folder / "mosquitto.conf"
        settings.write_text(self._settings())
        self.process = subprocess.Popen(
            [*self.prefix, PROGRAM, "-c", str(settings)],
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        if self.prefix:  # in another network: it cannot be asked from here
            time.sleep(0.5)
            return
        limit = time.monotonic() + START_S
        while time.monotonic() < limit:
            if self.process.poll() is not None:
                pytest.fail(f"mosquitto ended at once with {self.process.returncode}")
            try:
                socket.create_connection((self.host, self.port), timeout=0.5).close()
                return
            except OSError:
                time.sleep(0.02)
        pytest.fail("mosquitto did not start")

    def kill(self) -> None:
        """As a power cut of the broker alone: nobody gets a farewell."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def _settings(self) -> str:
        if self.settings is not None:
            return self.settings.replace("{port}", str(self.port))
        # Started by root it would change to an account that cannot read the test's folder.
        lines = [f"listener {self.port} {self.host}", "persistence false", "user root"]
        if self.tls is not None:
            lines += [f"certfile {self.tls / 'broker.crt'}", f"keyfile {self.tls / 'broker.key'}"]
        if self.rules:
            rules = self.folder / "rules"
            rules.write_text(self.rules)
            rules.chmod(0o600)
            lines.append(f"acl_file {rules}")
        lines.append(f"allow_anonymous {'false' if self.accounts else 'true'}")
        if self.accounts:
            lines.append(f"password_file {self._passwords()}")
        return "\n".join([*lines, self.more, ""])

    def _passwords(self) -> Path:
        path = self.folder / "passwords"
        path.unlink(missing_ok=True)
        path.touch(0o600)
        tool = shutil.which("mosquitto_passwd")
        if tool is None:
            pytest.skip("the program mosquitto_passwd is not installed")
        for name, password in self.accounts.items():
            subprocess.run([tool, "-b", str(path), name, password], check=True, capture_output=True)
        return path


def make_certificates(folder: Path, *names: str, states_use: bool = True) -> Path:
    """An authority of our own, `ca.crt`, and what it signed for a broker of these names: `broker.crt`, `broker.key`.

    With all that RFC 5280 asks of both (4.2.1), which Python's checks insist on from 3.13 on.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    folder.mkdir(exist_ok=True)
    authority_key, broker_key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    signs = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key())
    authority, broker = (
        _unsigned(name, key)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(signs, critical=False)
        for name, key in ((_AUTHORITY, authority_key), ("quayside broker", broker_key))
    )
    authority = authority.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    if states_use:
        authority = authority.add_extension(_key_usage(), critical=True)
    alternative = [_alternative(name) for name in names or ("localhost", "127.0.0.1")]
    broker = broker.add_extension(x509.SubjectAlternativeName(alternative), critical=False)
    for file, certificate in (("ca.crt", authority), ("broker.crt", broker)):
        signed = certificate.sign(authority_key, hashes.SHA256())
        (folder / file).write_bytes(signed.public_bytes(serialization.Encoding.PEM))
    key = broker_key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (folder / "broker.key").write_bytes(key)
    return folder


def _unsigned(name: str, key: ec.EllipticCurvePrivateKey) -> x509.CertificateBuilder:
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    now = datetime.datetime.now(datetime.UTC)
    issuer, subject = (x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, n)]) for n in (_AUTHORITY, name))
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=2))
    )


def _key_usage() -> x509.KeyUsage:
    from cryptography import x509

    may = {"key_cert_sign": True, "crl_sign": True}
    others = ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement")
    return x509.KeyUsage(**may, **dict.fromkeys((*others, "encipher_only", "decipher_only"), False))


def _alternative(name: str) -> x509.GeneralName:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
