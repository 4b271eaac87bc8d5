"""The catalogues: one file per language, with every sentence by its code.

Data flow: daq/texts/LANGUAGE.json -> LanguageCatalogue -> daq.texts.message; the page loads the
same files.
How a sentence and a language are added: DEVELOPERS.md.
"""

from __future__ import annotations

import functools
from pathlib import Path

import msgspec

FOLDER = Path(__file__).parent
ENGLISH = "en"


class LanguageCatalogue(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One language: how it writes numbers, its sentences, words and names, the page's labels."""

    language: str  # its own name for itself
    decimal: str
    group: str
    capitals: bool  # nouns keep theirs within a line
    messages: dict[str, str]
    words: dict[str, str]
    names: dict[str, str]  # of the rig file, as people say them
    units: dict[str, str]  # that are written otherwise than in English
    labels: dict[str, str]  # of results: a pattern of the English one, what stands in its place
    page: dict[str, str]  # the page's own


def languages() -> dict[str, str]:
    """Every language there is: its own name for itself by its code."""
    return {path.stem: catalogue(path.stem).language for path in sorted(FOLDER.glob("*.json"))}


@functools.cache
def catalogue(language: str) -> LanguageCatalogue:
    """The catalogue of a language; English for one that has none."""
    path = FOLDER / f"{language}.json"
    if not path.is_file():
        return catalogue(ENGLISH)
    return msgspec.json.decode(path.read_bytes(), type=LanguageCatalogue)
