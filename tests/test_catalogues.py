"""The catalogues fit the program, and what checks them notices each way in which they do not."""

from __future__ import annotations

import msgspec
import pytest

from daq.texts.catalogue import LanguageCatalogue
from tests.catalogues import catalogues, complaints


@pytest.fixture(scope="module")
def whole() -> dict[str, LanguageCatalogue]:
    return catalogues()


def changed(of: LanguageCatalogue, **messages: str | None) -> LanguageCatalogue:
    told = {**of.messages, **messages}
    return msgspec.structs.replace(of, messages={k: v for k, v in told.items() if v is not None})


def test_every_sentence_is_there_in_every_language_and_used(
    whole: dict[str, LanguageCatalogue],
) -> None:
    assert complaints(whole) == []


def test_a_third_language_needs_one_whole_file(whole: dict[str, LanguageCatalogue]) -> None:
    assert complaints({**whole, "xx": whole["de"]}) == []
    lacking = changed(whole["de"], **{"load-is-on": None})
    assert complaints({**whole, "xx": lacking}) == ["xx.json lacks 'load-is-on'"]


@pytest.mark.parametrize(
    ("messages", "complaint"),
    [
        ({"load-is-on": None}, "has no sentence 'load-is-on'"),
        ({"said-by-nobody": "Hm."}, "nobody says 'said-by-nobody'"),
        ({"runs-were-void": "{number} runs."}, "'runs-were-void' lacks number"),
        ({"runs-were-void": "Some runs."}, "'runs-were-void' does not name count"),
    ],
)
def test_a_catalogue_that_does_not_fit_the_program_is_named(
    whole: dict[str, LanguageCatalogue], messages: dict[str, str | None], complaint: str
) -> None:
    found = complaints({**whole, "en": changed(whole["en"], **messages)})
    assert any(complaint in line for line in found)


def test_languages_that_name_other_values_are_named(whole: dict[str, LanguageCatalogue]) -> None:
    other = changed(whole["de"], **{"runs-were-void": "{zahl} Läufe."})
    assert "xx.json: 'runs-were-void' has other places than count" in complaints(
        {**whole, "xx": other}
    )


def relabelled(of: LanguageCatalogue, **labels: str | None) -> LanguageCatalogue:
    told = {**of.page, **labels}
    return msgspec.structs.replace(of, page={k: v for k, v in told.items() if v is not None})


@pytest.mark.parametrize(
    ("language", "labels", "complaint"),
    [
        ("en", {"settings.units": None}, "en.json lacks the page's 'settings.units'"),
        ("en", {"asked.by.nobody": "Hm."}, "the page does not ask for 'asked.by.nobody'"),
        ("xx", {"settings.units": None}, "xx.json lacks 'settings.units'"),
        ("xx", {"settings.unit": "Enhet"}, "xx.json has 'settings.unit' alone"),
        ("xx", {"run.at": "på"}, "xx.json: 'run.at' has other places than where"),
    ],
)
def test_a_label_of_the_page_that_is_missing_unused_or_unlike_is_named(
    whole: dict[str, LanguageCatalogue],
    language: str,
    labels: dict[str, str | None],
    complaint: str,
) -> None:
    three = {**whole, "xx": whole["de"]}
    assert complaint in complaints({**three, language: relabelled(three[language], **labels)})
