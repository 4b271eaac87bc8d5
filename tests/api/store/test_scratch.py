"""Folders for work in progress: held while somebody works in them, whatever the date says."""

from __future__ import annotations

import os
from pathlib import Path

from api.store.scratch import Scratch, scratch

YEAR_S = 365 * 86_400.0


def test_a_folder_somebody_works_in_stays_however_old_it_looks(tmp_path: Path) -> None:
    """The computer's date may be a year ahead of when it was made."""
    with scratch(tmp_path, "export") as folder:
        (folder / "half.csv").write_text("1,2\n")
        os.utime(folder, (0.0, folder.stat().st_mtime - YEAR_S))
        with scratch(tmp_path, "export") as other:
            assert other != folder
        assert (folder / "half.csv").exists()
    assert not list(tmp_path.iterdir())


def test_what_a_killed_service_left_goes_when_the_next_is_made(tmp_path: Path) -> None:
    """At once: it may fill the disk."""
    left = tmp_path / "export-left"
    left.mkdir()
    (left / "half.csv").write_text("1,2\n")
    made = Scratch(tmp_path, "export")
    assert not left.exists()
    made.cleanup()
    made.cleanup()
    assert not list(tmp_path.iterdir())


def test_a_link_of_that_name_leads_nowhere(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "somebodys").write_text("x")
    data = tmp_path / "data"
    data.mkdir()
    (data / "export-link").symlink_to(elsewhere)
    (data / "export-file").write_text("x")
    with scratch(data, "export"):
        pass
    assert (elsewhere / "somebodys").exists()
    assert (data / "export-file").exists()
