"""A certificate authority of one's own and a broker certificate, made with the commands of the user's manual."""

import subprocess
from pathlib import Path

import pytest


def run_openssl(folder: Path, *arguments: str) -> None:
    try:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True, timeout=60)
    except FileNotFoundError:
        pytest.skip("openssl is not installed")


def make_authority(folder: Path, name: str = "ca") -> Path:
    run_openssl(
        folder, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-days", "3650", "-subj", f"/CN=Quayside {name}", "-keyout", f"{name}.key", "-out", f"{name}.crt",
    )  # fmt: skip
    return folder / f"{name}.crt"


def make_certificate(folder: Path, names: str = "DNS:localhost,IP:127.0.0.1", authority: str = "ca") -> None:
    """`broker.crt` and `broker.key`, valid for `names`."""
    (folder / "names.txt").write_text(f"subjectAltName={names}\n")
    run_openssl(
        folder, "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-subj", "/CN=broker", "-keyout", "broker.key", "-out", "broker.csr",
    )  # fmt: skip
    run_openssl(
        folder, "x509", "-req", "-in", "broker.csr", "-CA", f"{authority}.crt", "-CAkey", f"{authority}.key",
        "-CAcreateserial", "-days", "825", "-extfile", "names.txt", "-out", "broker.crt",
    )  # fmt: skip
