"""The version of the installed distribution."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("drumlin")
except PackageNotFoundError:  # run from a bare source tree
    VERSION = "0+source"
