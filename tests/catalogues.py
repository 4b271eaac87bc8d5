"""Holds the catalogues of sentences against the program, and against each other.

    python -m tests.catalogues

Data flow: every `say("code", name=...)` of the sources, every label that the page's code asks for,
every catalogue (daq/texts/LANGUAGE.json) -> complaints, exit status 1: a code or label that a
catalogue lacks, one that nobody uses, a value that a sentence lacks or does not name, places that
differ between languages, an unused word.
"""

from __future__ import annotations

import ast
import functools
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from control.safety.faults import TABLE, Effect
from daq.texts.catalogue import ENGLISH, FOLDER, LanguageCatalogue
from daq.texts.message import PLACE

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "api" / "page" / "js"
PRODUCT = ("api", "control", "daq")
MAKER = "daq.texts.message"
WITHIN = {"sentences", "amount", "difference"}  # said by daq.texts.message itself


class Said(msgspec.Struct, frozen=True):
    """One place of the program that says a sentence."""

    code: str
    where: str
    names: frozenset[str] | None  # of its values; None: not to be seen from here
    some_idle: bool = False  # of the values may be there for other sentences


def said(path: Path) -> Iterator[Said]:
    """The sentences that a module says."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    if not any(
        isinstance(node, ast.ImportFrom) and node.module == MAKER and "say" in _imported(node)
        for node in tree.body
    ):
        return
    aims = frozenset(_aims(tree))
    within = {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and _called(node) == "Description"
        for part in ast.walk(node)
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or _called(node) != "say" or not node.args:
            continue
        code = node.args[0]
        where = f"{path.relative_to(ROOT)}:{node.lineno}"
        names = [word.arg for word in node.keywords]
        given = None if None in names else frozenset(name for name in names if name)
        if isinstance(code, ast.Constant) and isinstance(code.value, str):
            if id(node) in within and not names:  # an instruction: its values come from `aims`
                yield Said(code.value, where, aims, some_idle=True)
            else:
                yield Said(code.value, where, given)
        elif isinstance(code, ast.JoinedStr) and _prefix(code) == "fault.":
            ending = ".remedy" if isinstance(code.values[-1], ast.Constant) else ""
            for fault in TABLE:
                yield Said(f"fault.{fault}{ending}", where, given)
        else:
            yield Said(f"a code that is computed: {ast.unparse(code)}", where, given)


def _imported(node: ast.ImportFrom) -> set[str]:
    return {name.name for name in node.names}


def _called(node: ast.Call) -> str:
    return str(getattr(node.func, "id", getattr(node.func, "attr", "")))


def _prefix(node: ast.JoinedStr) -> str:
    first = node.values[0]
    return str(first.value) if isinstance(first, ast.Constant) else ""


def _aims(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.name == "aims":
            for part in ast.walk(node):
                if isinstance(part, ast.Dict):
                    yield from (
                        str(key.value) for key in part.keys if isinstance(key, ast.Constant)
                    )


def places(sentence: str) -> set[str]:
    """Names of the values in a sentence."""
    return {place[1] for place in PLACE.finditer(sentence)}


@functools.cache
def everything() -> tuple[Said, ...]:
    """Whatever the product says."""
    return tuple(one for path in sources() for one in said(path))


def sources() -> list[Path]:
    """Every module of the product."""
    return sorted(path for name in PRODUCT for path in (ROOT / name).rglob("*.py"))


@functools.cache
def on_the_page() -> str:
    """All code of the page."""
    return "\n".join(path.read_text(encoding="utf-8") for path in sorted(PAGE.rglob("*.js")))


@functools.cache
def asked_by_the_page() -> set[str]:
    """The labels that the page's code asks for by their whole name."""
    return set(re.findall(r"""\bt\(\s*"([a-z0-9._-]+)["]""", on_the_page()))


@functools.cache
def _named_on_the_page() -> tuple[set[str], tuple[str, ...]]:
    """What may be labels, whole and as they begin before a value."""
    whole = set(re.findall(r"""["'`]([\w.-]+)["'`]""", on_the_page()))
    begins = re.findall(r"`([\w.-]+\.)\$\{", on_the_page())
    return whole, tuple(dict.fromkeys(begins))


def _unasked(labels: Iterable[str]) -> Iterator[str]:
    """Labels that no code of the page names."""
    whole, begins = _named_on_the_page()
    for label in labels:
        if label not in whole and not label.startswith(begins):
            yield label


def complaints(catalogues: dict[str, LanguageCatalogue]) -> list[str]:
    """What does not fit, one line each."""
    english = catalogues[ENGLISH]
    found: list[str] = []
    for one in everything():
        sentence = english.messages.get(one.code)
        if sentence is None:
            found.append(f"{one.where}: {ENGLISH}.json has no sentence '{one.code}'")
        elif one.names is not None:
            lacking, idle = places(sentence) - one.names, one.names - places(sentence)
            if lacking:
                found.append(f"{one.where}: '{one.code}' lacks {', '.join(sorted(lacking))}")
            if idle and not one.some_idle and one.code not in WITHIN:
                found.append(f"{one.where}: '{one.code}' does not name {', '.join(sorted(idle))}")
    used = {one.code for one in everything()} | WITHIN
    found += [f"nobody says '{code}'" for code in english.messages if code not in used]
    literals = _literals() | {effect.name.lower() for effect in Effect}
    found += [f"nobody uses the word '{word}'" for word in english.words if word not in literals]
    found += [f"{ENGLISH}.json lacks the page's '{label}'"
              for label in sorted(asked_by_the_page() - set(english.page))]  # fmt: skip
    found += [f"the page does not ask for '{label}'" for label in _unasked(english.page)]
    for language, other in catalogues.items():
        found += _differences(english, other, language)
    return found


def _differences(
    english: LanguageCatalogue, other: LanguageCatalogue, language: str
) -> Iterator[str]:
    for kind in ("messages", "words", "page"):
        ours, theirs = getattr(english, kind), getattr(other, kind)
        yield from (f"{language}.json lacks '{key}'" for key in ours if key not in theirs)
        yield from (f"{language}.json has '{key}' alone" for key in theirs if key not in ours)
    for code, sentence in (*other.messages.items(), *other.page.items()):
        wanted = places(english.messages.get(code) or english.page.get(code, sentence))
        if places(sentence) != wanted:
            yield f"{language}.json: '{code}' has other places than {', '.join(sorted(wanted))}"


@functools.cache
def _literals() -> set[str]:
    return {
        node.value
        for path in sources()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def catalogues() -> dict[str, LanguageCatalogue]:
    """All catalogues, fresh from their files."""
    return {
        path.stem: msgspec.json.decode(path.read_bytes(), type=LanguageCatalogue)
        for path in FOLDER.glob("*.json")
    }


if __name__ == "__main__":
    lines = complaints(catalogues())
    print("\n".join(lines) or "every sentence in every language")
    sys.exit(1 if lines else 0)
