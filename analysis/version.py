"""Which version of the product this is, as installed."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def product_version() -> str:
    """The distribution's version, or a plain word in a tree that was never installed."""
    try:
        return version("wattproof")
    except PackageNotFoundError:
        return "uninstalled"
