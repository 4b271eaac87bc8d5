"""The front end's C core, built once for these tests with what catches undefined behaviour."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.firmware.core import build
from tests.once import once


@pytest.fixture(scope="session")
def core(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return once(tmp_path_factory, "c-core", lambda to: build(to / "front-end")) / "front-end"
