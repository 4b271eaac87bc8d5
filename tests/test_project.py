"""The project about itself: locks, contracts, licence, and pages that people rely on."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def requirements(name: str) -> dict[str, list[str]]:
    """Pinned packages of a lock file and their hashes."""
    found: dict[str, list[str]] = {}
    current = ""
    for line in (ROOT / name).read_text(encoding="utf-8").splitlines():
        pinned = re.match(r"^([a-z0-9._-]+)(\[[a-z0-9,._-]+\])?==([^ ;]+)", line)
        if pinned:
            current = pinned[1]
            found[current] = []
        elif current and "--hash=sha256:" in line:
            found[current].append(line.split("--hash=sha256:")[1].split()[0])
    return found


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_everything_is_pinned_with_hashes_and_from_nowhere_in_particular(name: str) -> None:
    locked = requirements(name)
    assert len(locked) > 20
    assert all(hashes for hashes in locked.values())
    text = (ROOT / name).read_text(encoding="utf-8")
    for word in ("--index-url", "--extra-index-url", "--find-links", "--trusted-host", "://"):
        assert word not in text


def test_what_runs_is_locked_the_same_for_running_and_for_testing() -> None:
    pin = re.compile(r"^([a-z0-9._-]+)==([^ ;]+)", re.MULTILINE)
    runtime = dict(pin.findall((ROOT / "requirements.lock").read_text(encoding="utf-8")))
    dev = dict(pin.findall((ROOT / "requirements-dev.lock").read_text(encoding="utf-8")))
    assert runtime.items() <= dev.items()


def test_every_direct_dependency_is_locked_and_decided() -> None:
    locked = requirements("requirements.lock")
    decisions = "\n".join(
        page.read_text(encoding="utf-8").lower() for page in (ROOT / "docs/decisions").glob("*.md")
    )
    for requirement in PROJECT["dependencies"]:
        name = re.split(r"[<>=\[]", requirement)[0]
        assert name in locked, f"{name} is not in requirements.lock: run make lock"
        assert name in decisions, f"docs/decisions says nothing about {name}"


def test_the_loop_process_loads_no_web_framework_store_or_simulator() -> None:
    code = (
        "import sys, api.runtime.loop\n"
        "bad = {'fastapi', 'starlette', 'uvicorn', 'websockets', 'sqlalchemy', 'pyarrow',\n"
        "       'aiomqtt', 'pydantic', 'typer', 'simulator'} & set(sys.modules)\n"
        "print(sorted(bad))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, timeout=300
    )
    assert done.stdout.strip() == "[]"


def test_ci_runs_the_command_that_the_readme_gives() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "make test" in ci
    assert "make test" in readme
    assert "make run" in readme


def test_the_cautions_stand_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8").lower()
    for word in ("hardwired", "straps", "exhaust", "local", "licensed", "no emergency stop"):
        assert word in readme, word


def test_the_licence_is_apache_2() -> None:
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in text
    assert "Version 2.0, January 2004" in text
    assert PROJECT["license"] == "Apache-2.0"


def test_links_between_pages_lead_somewhere() -> None:
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")]
    missing = []
    for page in pages:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            if not (page.parent / target).exists():
                missing.append(f"{page.relative_to(ROOT)} -> {target}")
    assert missing == []


PAGES = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md")))
ROOMS = "daq|control|api|simulator|tests|bench|docs|rigs|plans|firmware"
WRITTEN_PATH = re.compile(rf"(?<![\w/.*-])(?:{ROOMS})/[\w./*-]*[\w*/]")
WRITTEN_FILE = re.compile(r"`([a-z_]+\.py)`")
WRITTEN_MODULE = re.compile(rf"(?<![\w/.-])(?:{ROOMS})(?:\.[a-z_]+)+(?![\w/(])")
FILE_ENDINGS = (".md", ".toml", ".json")  # a page beside the one that names it


def written(pattern: re.Pattern[str]) -> list[tuple[str, str]]:
    return [
        (page.relative_to(ROOT).as_posix(), found)
        for page in PAGES
        for found in pattern.findall(page.read_text(encoding="utf-8"))
    ]


def is_module(name: str) -> bool:
    """True for a module, or for a name that stands in one."""
    path = ROOT.joinpath(*name.split("."))
    if path.with_suffix(".py").exists() or path.is_dir():
        return True
    module = path.parent.with_suffix(".py")
    return module.exists() and path.name in module.read_text(encoding="utf-8")


def test_every_path_written_in_a_page_is_there() -> None:
    paths = written(WRITTEN_PATH)
    assert len(paths) > 60
    assert [(page, path) for page, path in paths if not any(ROOT.glob(path.rstrip("/")))] == []
    files = {path.name for room in ROOMS.split("|") for path in (ROOT / room).rglob("*.py")}
    assert [(page, name) for page, name in written(WRITTEN_FILE) if name not in files] == []


def test_every_module_written_in_a_page_is_there() -> None:
    found = written(WRITTEN_MODULE)
    modules = [(page, name) for page, name in found if not name.endswith(FILE_ENDINGS)]
    assert len(modules) > 20
    assert [(page, name) for page, name in modules if not is_module(name)] == []


CODE = ("api", "control", "daq", "simulator", "bench")
QUOTED_MODULE = re.compile(r'"((?:api|control|daq|simulator|bench)(?:\.[a-z_]+)+)"')
JOINED_PATH = re.compile(rf'(?<=/ )"(?:{ROOMS})"(?: / "[\w.-]+")+')


def test_every_module_and_path_that_code_names_in_quotes_is_there() -> None:
    """What a type checker does not see: processes started by name, files of other rooms."""
    modules: list[str] = []
    paths: list[str] = []
    for path in (path for room in CODE for path in (ROOT / room).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        modules += [name for name in QUOTED_MODULE.findall(text) if not name.endswith(FILE_ENDINGS)]
        paths += [joined.replace('"', "").replace(" ", "") for joined in JOINED_PATH.findall(text)]
    assert len(modules) > 15
    assert len(paths) > 10
    assert [name for name in modules if not is_module(name)] == []
    assert [path for path in paths if not (ROOT / path).exists()] == []


def test_no_pattern_for_names_ends_where_a_newline_may_follow() -> None:
    """In Python `$` also matches before a last newline; paths are matched by another engine."""
    pattern = r'(?:Meta\([^()]*pattern=|re\.compile\(\s*)(r?"[^"]*[^\\]\$")'
    loose = [
        f"{path.relative_to(ROOT)}: {found}"
        for package in ("api", "control", "daq")
        for path in (ROOT / package).rglob("*.py")
        for found in re.findall(pattern, path.read_text(encoding="utf-8"))
    ]
    assert not loose, f"{loose}: end them with \\Z or (?![\\s\\S])"
