"""Sentences: rendered in each language and system of units, and carried through every store."""

from __future__ import annotations

import math

import msgspec
import pytest

from daq.quantities import MILE, POUND_FORCE, RPM, UnitSystem, signed_percent
from daq.texts.catalogue import FOLDER, catalogue
from daq.texts.message import Message, Text, amount, difference, render, say, sentences
from daq.texts.published import published, published_json, restored, stored, written

LANGUAGES = sorted(path.stem for path in FOLDER.glob("*.json"))


class Holder(msgspec.Struct):
    text: Text
    several: tuple[Text, ...] = ()


def test_there_are_english_and_german() -> None:
    assert {"en", "de"} <= set(LANGUAGES)


def test_a_sentence_is_told_in_the_units_and_the_language_of_its_reader() -> None:
    beyond = say("speed-is-beyond-rig", speed_mps=60 * MILE / 3600, fastest_mps=50 * MILE / 3600)
    assert render(beyond, UnitSystem.US).startswith("60.0 mph is beyond the rig's 50.0 mph")
    assert render(beyond, language="de").startswith("96,6 km/h liegen jenseits der 80,5 km/h")
    pull = say("tyres-pull-with-and-creep-on", tractive_n=1000 * POUND_FORCE)
    assert "4,448 N" in render(pull)
    assert "1,000 lbf" in render(pull, UnitSystem.US)
    assert "4.448 N" in render(pull, language="de")


def test_a_difference_of_temperature_has_no_zero_of_its_scale() -> None:
    told = say("is-at-first-run-began-at", what="oil", now_k=373.15, first_k=353.15, band_k=10.0)
    assert render(told) == "The oil is at 100 °C; the first run began at 80 °C (within 10 °C)."
    assert "(within 18 °F)" in render(told, UnitSystem.US)
    assert "(erlaubt sind 10 °C)" in render(told, language="de")


def test_words_and_names_of_the_rig_are_told_in_the_language() -> None:
    assert (
        render(say("rig-is-not", state="parked", wanted="ready"))
        == "The rig is stood down, not ready."
    )
    assert render(say("rig-is-not", state="parked", wanted="ready"), language="de") == (
        "Der Prüfstand ist außer Betrieb, nicht bereit."
    )
    missing = say("no-zero-has-been-taken-for", absorbers=["front-left", "rear"])
    assert render(missing) == "No zero has been taken for front-left, rear."
    assert "vorn links, hinten" in render(missing, language="de")


def test_a_quantity_of_any_unit_has_the_digits_of_its_interval() -> None:
    power = amount(223_710.0, "W", 745.7)
    assert render(power) == "223.7 ± 0.7 kW"
    assert render(power, UnitSystem.US) == "300.0 ± 1.0 hp"
    assert render(amount(2000 / RPM, "rad/s"), language="de") == "2.000 1/min"
    assert render(amount(1234.5, "N", 0.04)) == "1,234.50 ± 0.04 N"
    assert render(difference(10.0, "K"), UnitSystem.US) == "18.0 °F"
    assert render(amount(None, "W")) == "—"


def test_several_numbers_share_the_unit_behind_the_last() -> None:
    told = say("asked-map", points_mps=[20.0, 25.0])
    assert render(told) == "Hold one point after the other: 72, 90 km/h."


def test_sentences_hold_sentences() -> None:
    detailed = say(
        "with-detail",
        text=say("fault.rotor-hot"),
        detail=say("rotor-at", absorber="rear", rotor_k=773.15),
    )
    assert render(detailed) == "A rotor has reached its limit. (rear 500 °C)"
    both = sentences((say("nothing-has-tripped"), "", say("nothing-to-do")))
    assert render(both) == "Nothing has tripped. Nothing to do."


def test_a_missing_number_is_a_dash() -> None:
    told = say("tyres-pull-with-and-creep-on", tractive_n=math.nan)
    assert render(told).startswith("The tyres pull with — ")


def test_plain_text_of_an_older_recording_stays_as_it_is() -> None:
    assert render("Held at 12 N.", UnitSystem.US, "de") == "Held at 12 N."
    assert msgspec.json.decode(b'{"text": "As it was."}', type=Holder).text == "As it was."


def test_a_sentence_survives_every_way_it_travels() -> None:
    told = Holder(say("runs-were-void", count=3), (say("sentences", several=["a", "b"]), "old"))
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(told), type=Holder) == told
    assert msgspec.json.decode(msgspec.json.encode(told), type=Holder) == told
    line = stored(told.text)
    assert str(restored(line)) == "3 runs were void."
    assert restored("plain text") == stored("plain text") == "plain text"
    assert restored('{"code": "broken') == '{"code": "broken'


def test_a_file_can_be_read_without_its_catalogue() -> None:
    kept = msgspec.convert(written(Holder(say("runs-were-void", count=3))), Holder)
    assert isinstance(kept.text, Message)
    forgotten = msgspec.structs.replace(kept.text, code="of-an-older-version")
    assert render(forgotten) == "3 runs were void."


def test_an_answer_holds_english_and_beside_it_code_and_values() -> None:
    told = published(Holder(say("runs-were-void", count=3), (say("nothing-to-do"), "old")))
    assert told == {
        "text": "3 runs were void.",
        "text_message": {"code": "runs-were-void", "values": {"count": 3}},
        "several": ["Nothing to do.", "old"],
        "several_messages": [{"code": "nothing-to-do", "values": {}}, None],
    }
    assert msgspec.json.decode(published_json(Holder("plain"))) == {"text": "plain", "several": []}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_place_of_every_sentence_can_be_filled(language: str) -> None:
    from daq.texts.message import PLACE

    for code, sentence in catalogue(language).messages.items():
        values = dict.fromkeys((place[1] for place in PLACE.finditer(sentence)), 12.5)
        assert "{" not in render(Message(code, values), language=language), code


def test_a_change_that_reads_as_nothing_has_no_sign() -> None:
    assert signed_percent(0.0192) == "+1.9"
    assert signed_percent(-0.0003) == signed_percent(0.0003) == "0.0"
    assert signed_percent(-0.021, 0) == "-2"
