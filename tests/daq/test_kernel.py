"""The compiled kernels notice when a helper they have compiled in was edited."""

from __future__ import annotations

from pathlib import Path

from daq.kernel import refresh_cache


def test_a_changed_helper_drops_the_cached_kernels_of_its_user_and_of_nobody_else(
    tmp_path: Path,
) -> None:
    user, helper, cache = tmp_path / "user.py", tmp_path / "helper.py", tmp_path / "__pycache__"
    user.write_text("# user")
    helper.write_text("# helper")
    cache.mkdir()
    mine, other = cache / "user.run-1.py311.nbi", cache / "other.run-1.py311.nbi"

    def cached() -> None:
        mine.write_text("index")
        other.write_text("index")

    refresh_cache(str(user), str(helper))
    cached()
    refresh_cache(str(user), str(helper))
    assert mine.exists()
    helper.write_text("# helper, edited")
    refresh_cache(str(user), str(helper))
    assert not mine.exists()
    assert other.exists()


def test_a_tree_that_cannot_be_read_is_left_alone(tmp_path: Path) -> None:
    refresh_cache(str(tmp_path / "gone" / "user.py"), str(tmp_path / "nothing.py"))
    assert list(tmp_path.iterdir()) == []
