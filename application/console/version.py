"""Which version of Stillgate this is."""

from __future__ import annotations


def installed_version() -> str:
    """Version of the installed distribution."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("stillgate")
    except PackageNotFoundError:
        return "unknown (not installed)"
