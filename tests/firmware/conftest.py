"""The front end's C core, built once for these tests with what catches undefined behaviour."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.firmware.core import build


@pytest.fixture(scope="session")
def core(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("core") / "front-end")
