"""The documented production install: only what requirements.lock names, and the built wheel."""

from __future__ import annotations

import importlib.metadata
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.api.launch.running import unattended
from tests.ports import free_port

ROOT = Path(__file__).parents[3]
PACKAGES = ("api", "control", "daq", "simulator")
PINNED = re.compile(r"^([A-Za-z0-9._-]+)(?:\[[^\]]*\])?==([^ ;\\]+)", re.MULTILINE)


def pip(command: str, *words: str, environment: Path = Path(sys.prefix)) -> None:
    quiet = ("--quiet", "--disable-pip-version-check", "--no-deps", "--no-index")
    at = ("--python", str(environment))
    done = subprocess.run(
        [sys.executable, "-m", "pip", *at, command, *quiet, *words],
        check=False,
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr[-2000:]


def build_wheel(folder: Path) -> Path:
    """The wheel of this tree, built from a copy of what it is built from."""
    source = folder / "source"
    source.mkdir(parents=True)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    for name in PACKAGES:
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    pip("wheel", "--no-build-isolation", "--wheel-dir", str(folder), str(source))
    return next(folder.glob("*.whl"))


def clean_environment(folder: Path) -> Path:
    """An environment of exactly the distributions of requirements.lock; its library folder.

    They are linked from the environment of the tests, which is locked to the same versions.
    """
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(folder)], check=True)
    library = next((folder / "lib").glob("python*")) / "site-packages"
    for name, version in PINNED.findall((ROOT / "requirements.lock").read_text(encoding="utf-8")):
        distribution = importlib.metadata.distribution(name)
        assert distribution.version == version, name
        tops = {path.parts[0] for path in distribution.files or ()} - {"..", "__pycache__"}
        for top in tops:
            if not (library / top).exists():
                (library / top).symlink_to(str(distribution.locate_file(top)))
    return library


def compiled(library: Path) -> set[Path]:
    """What the compiler has left in the installed packages."""
    return {path for name in PACKAGES for path in (library / name).rglob("*.nbc")}


@pytest.mark.live
@pytest.mark.timeout(1800)
def test_a_clean_install_compiles_once_then_rehearses_and_runs_the_demo(tmp_path: Path) -> None:
    environment, outside = tmp_path / "env", tmp_path / "outside"
    library = clean_environment(environment)
    pip("install", str(build_wheel(tmp_path / "wheel")), environment=environment)
    outside.mkdir()

    def ended(*words: str, cwd: Path = outside) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [environment / "bin" / "drumlin", *words],
            cwd=cwd,
            env={"PATH": os.environ["PATH"], "HOME": str(outside)},
            check=False,
            capture_output=True,
            text=True,
            timeout=1500,
        )

    def drumlin(*words: str) -> str:
        done = ended(*words)
        assert done.returncode == 0, (words, done.stderr[-3000:])
        return done.stdout

    assert not (library / "scipy").exists()
    drumlin("compile")
    before = compiled(library)
    assert len(before) > 60
    rig, *plans = drumlin("examples").splitlines()
    assert Path(rig).is_relative_to(library)
    assert len(plans) > 8
    rehearsed = json.loads(
        drumlin("rehearse", "steady-hold", "--rpm", "1900", "--minutes", "0.1", "--json")
    )
    assert rehearsed["state_at_end"] == "ready"
    asked = ("demo", "--unattended", "--seconds", "3", "--json", "--listen")
    held, _ = unattended(
        outside,
        lambda folder: ended(*asked, f"127.0.0.1:{free_port()}", cwd=folder),
        lambda folder: folder / "data" / "runs",
    )
    assert held["first_cause"] == ""
    assert held["result"]["figures"]
    assert compiled(library) == before  # nobody met the compiler later
