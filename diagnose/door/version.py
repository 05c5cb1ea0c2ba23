"""Which version of the package this is."""

from __future__ import annotations


def version_text() -> str:
    """The version that is installed, or a word that none is."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("amplifier-fault-diagnosis")
    except PackageNotFoundError:  # run from a folder that was never installed
        return "(not installed)"
