"""The suite watches itself: a test that leaves something behind fails, whatever it asserts."""

from __future__ import annotations

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


@pytest.mark.parametrize("complaint", LEFT_BEHIND)
def test_what_a_test_leaves_behind_fails_it(pytester: pytest.Pytester, complaint: str) -> None:
    conftest = Path(__file__).with_name("conftest.py").read_text(encoding="utf-8")
    pytester.makeconftest(conftest.replace("GRACE_S = 3.0", "GRACE_S = 0.3"))
    pytester.makepyprojecttoml(
        '[tool.pytest.ini_options]\nasyncio_mode = "auto"\nfilterwarnings = ["error"]\n'
        'asyncio_default_fixture_loop_scope = "function"\n'
    )
    pytester.makepyfile(LEFT_BEHIND[complaint])
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider")
    outcomes = result.parseoutcomes()
    assert outcomes.get("failed", 0) + outcomes.get("errors", 0) == 1, outcomes
    assert complaint in result.stdout.str()


def test_a_clean_test_passes_under_the_same_watchers(pytester: pytest.Pytester) -> None:
    pytester.makeconftest(Path(__file__).with_name("conftest.py").read_text(encoding="utf-8"))
    pytester.makepyprojecttoml(
        '[tool.pytest.ini_options]\nasyncio_mode = "auto"\nfilterwarnings = ["error"]\n'
        'asyncio_default_fixture_loop_scope = "function"\n'
    )
    pytester.makepyfile(
        """
        import asyncio
        async def test_ends_what_it_starts():
            await asyncio.create_task(asyncio.sleep(0))
        """
    )
    pytester.runpytest_subprocess("-p", "no:cacheprovider").assert_outcomes(passed=1)
