"""Every sentence that people meet on the page has its German, found by reading the program.

Faults, refusals and their remedies, plan errors, the rehearsal's answer, flags, limits, cautions,
warnings of a gain: a sentence in the modules below is a key of the page's German table, its values
numbered. A new one fails here by name; write it into api/page/js/texts/de-sentences.js.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
TABLE = ROOT / "api" / "page" / "js" / "texts" / "de-sentences.js"
SPOKEN = (
    "api/http/entry/access.py", "api/http/context.py", "api/http/answers/problems.py",
    "api/http/routes", "api/http/entry/tokens.py", "api/rehearsal/rehearse.py",
    "api/runtime/channel.py",
    "api/services/absorber_status.py", "api/services/comparing.py", "api/services/export.py",
    "api/jobs", "api/services/proving.py", "api/services/thermal_status.py",
    "api/store",
    "daq/measure/force/alignment.py", "daq/measure/force/zero.py", "daq/measure/rest.py",
    "daq/measure/slow.py",
    "daq/proving/calibration.py", "daq/proving/clock.py", "daq/proving/coast_fit.py",
    "daq/proving/record.py", "daq/proving/response.py", "daq/proving/rolls.py",
    "daq/proving/runs.py", "daq/results", "daq/results/correction.py", "daq/rig/weather.py",
)  # fmt: skip
ELSEWHERE = {  # met at the command line, at start-up or by programs only
    "api/store/importing.py", "api/store/engine.py",
}  # fmt: skip
DESCRIBING = {"Description", "ArgumentParser", "add_argument", "print"}  # docs, command lines
NEVER_SHOWN = {
    "Written by `python -m control.safety.faults` from the table in "
    "`control/safety/faults.py`; do not edit.",
    "As asked.",
}
# a sentence: capital, blank, full stop; or one that ends in a value after a colon
SENTENCE = re.compile(r"(?s)(?=.* )(?:[A-Z'{].*[.!?]|[A-Z].*: \{\d\})")


def _spoken() -> Iterator[Path]:
    for name in SPOKEN:
        place = ROOT / name
        found = (
            place.rglob("*.py")
            if place.is_dir()
            else ROOT.glob(name)
            if "*" in name
            else iter((place,))
        )
        for path in sorted(found):
            if path.relative_to(ROOT).as_posix() not in ELSEWHERE:
                yield path


def _text(node: ast.AST) -> str | None:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
        )
    return None


def numbered(text: str) -> str:
    """The key of a sentence: its places numbered in order."""
    places = iter(range(20))
    return re.sub(r"\{[^{}]*\}", lambda _: f"{{{next(places)}}}", text)


def _skipped(tree: ast.AST) -> set[int]:
    """Docstrings, parts of longer texts, descriptions of kinds except their phases."""
    skip: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skip.add(id(node.value))
        elif isinstance(node, ast.JoinedStr):
            skip |= {id(part) for part in ast.walk(node) if part is not node}
        elif isinstance(node, ast.Call):
            called = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if called in DESCRIBING:
                kept = [word for word in node.keywords if word.arg == "phases"]
                kept += [arg for arg in node.args if isinstance(arg, ast.Tuple)]
                phases = {id(part) for word in kept for part in ast.walk(word)}
                skip |= {id(part) for part in ast.walk(node) if id(part) not in phases}
    return skip


def sentences(path: Path) -> set[str]:
    """The sentences of a module as keys."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skip = _skipped(tree)
    found = set()
    for node in ast.walk(tree):
        text = None if id(node) in skip else _text(node)
        if text is not None and "\n" not in text:
            key = numbered(text)
            if SENTENCE.fullmatch(key) and key not in NEVER_SHOWN:
                found.add(key)
    return found


@pytest.fixture(scope="module")
def german() -> dict[str, str]:
    body = TABLE.read_text(encoding="utf-8").partition("SENTENCES = ")[2]
    table: dict[str, str] = json.loads(re.sub(r",\s*\};\s*$", "}", body))
    return table


def test_every_sentence_people_meet_has_its_german(german: dict[str, str]) -> None:
    missing = {
        f"{path.relative_to(ROOT)}: {key}"
        for path in _spoken()
        for key in sentences(path)
        if key not in german
    }
    assert sorted(missing) == []


def test_the_search_itself_finds_sentences() -> None:
    found = set().union(*map(sentences, _spoken()))
    assert len(found) > 50


def test_the_german_has_the_same_values(german: dict[str, str]) -> None:
    place = re.compile(r"\{\d\}")
    for english, translated in german.items():
        assert set(place.findall(english)) == set(place.findall(translated)), english
