"""The version of the installed package."""

from __future__ import annotations

from importlib.metadata import version


def program_version() -> str:
    """The version, as in the package's metadata."""
    return version("coilbook")
