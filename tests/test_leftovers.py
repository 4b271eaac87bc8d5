"""The suite watches itself: a test that leaves something behind fails, whatever it asserts."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest_plugins = ["pytester"]

LEFT_BEHIND = {
    "tasks left running": """
        import asyncio
        kept = []
        async def test_leaves_a_task():
            kept.append(asyncio.create_task(asyncio.sleep(60)))
    """,
    "threads left behind": """
        import threading
        def test_leaves_a_thread():
            threading.Thread(target=threading.Event().wait, args=(8,), daemon=True).start()
    """,
    "child processes left behind": """
        import subprocess
        kept = []
        def test_leaves_a_process():
            kept.append(subprocess.Popen(["sleep", "8"]))
    """,
    "open files left behind": """
        import os
        def test_leaves_a_file_open():
            os.open("/dev/null", os.O_RDONLY)
    """,
    "DeprecationWarning": """
        import warnings
        def test_warns():
            warnings.warn("old", DeprecationWarning)
    """,
}


TELLING = """
    from tests.evidence import looked_at, note
    def test_tells_what_it_saw():
        note("state", "tripped by its stop chain")
        with looked_at("log", lambda: "loop: the line went silent"):
            raise AssertionError
"""
CLEAN = """
    import asyncio
    async def test_ends_what_it_starts():
        await asyncio.create_task(asyncio.sleep(0))
"""


def test_what_a_test_leaves_behind_fails_it_and_a_clean_one_passes(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")  # one of them is needed, all are slow
    monkeypatch.setenv("COLUMNS", "300")  # for whole lines in the summary
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[1]))  # its conftest is this one
    conftest = Path(__file__).with_name("conftest.py").read_text(encoding="utf-8")
    pytester.makeconftest(conftest.replace("GRACE_S = 20.0", "GRACE_S = 0.3"))
    pytester.makepyprojecttoml(
        '[tool.pytest.ini_options]\nasyncio_mode = "auto"\nfilterwarnings = ["error"]\n'
        'asyncio_default_fixture_loop_scope = "function"\n'
    )
    names = [f"test_leaving_{number}" for number in range(len(LEFT_BEHIND))]
    sources = zip(names, LEFT_BEHIND.values(), strict=True)
    pytester.makepyfile(**dict(sources), test_clean=CLEAN, test_telling=TELLING)
    plain = ("-p", "no:cacheprovider", "-p", "pytest_asyncio.plugin", "-rA")
    told = pytester.runpytest_subprocess(*plain).stdout.str()
    for name, complaint in zip(names, LEFT_BEHIND, strict=True):
        bad = [line for line in told.splitlines() if re.match(rf"(FAILED|ERROR) {name}.py", line)]
        assert len(bad) == 1, (name, told)
        assert complaint in bad[0], (complaint, bad)
    assert re.search(r"^PASSED test_clean.py", told, re.MULTILINE), told
    assert not re.search(r"^(FAILED|ERROR) test_clean.py", told, re.MULTILINE), told
    assert "tripped by its stop chain" in told
    assert "loop: the line went silent" in told
