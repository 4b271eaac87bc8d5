"""A sentence as data: a code and named values, made where the fact is known, shown at the edge.

Data flow: whoever knows a fact -> `say` -> events, answers, results, errors -> `render` at the
command line, in reports and HTTP answers; the page (js/messages.js) renders from the same
catalogues. Values are numbers in SI, their unit at the end of their name; the reader's units,
decimals and language are chosen where a sentence is rendered. What older recordings hold, and what
people wrote, is plain text and stays as it is: hence `Text`.

A place in a sentence is `{name}` or `{name:form}`. A name that ends in an SI unit (`_n`, `_nm`,
`_w`, `_mps`, `_mps2`, `_k`, `_pa`, `_j`, `_kg`) is shown with the unit that the reader knows it by.
The form holds, in this order, the decimals and any of

    b  the number alone, without its unit       d  a difference: degrees without their zero
    g  as many digits as it takes               +  with its sign
    p  a share as a percentage                  n  a name of the rig file, as the language says it
    w  a word of the catalogue's list           s  several sentences, with blanks between
    u  with the SI unit and the half of an interval that stand beside it (see `amount`)

Several numbers of one value share the unit behind the last.
"""

from __future__ import annotations

import enum
import math
import numbers
import re
from collections.abc import Iterable
from typing import Any, TypeAlias

import msgspec

from daq.quantities import UnitSystem, number, scale
from daq.texts.catalogue import ENGLISH, LanguageCatalogue, catalogue

Part: TypeAlias = "str | int | float | Message | None"
Value: TypeAlias = "str | int | float | Message | tuple[Part, ...] | None"

UNITS = {
    "n": "N", "nm": "N.m", "w": "W", "mps": "m/s", "mps2": "m/s/s", "k": "K", "pa": "Pa", "j": "J",
    "kg": "kg",
}  # fmt: skip
PLACE = re.compile(r"\{(\w+)(?::(\d*)([a-z+]*))?\}")


class Message(msgspec.Struct, frozen=True):
    """A sentence of the catalogues by its code, with the values it names."""

    code: str
    values: dict[str, Value] = {}
    text: str = ""  # English as it was stored; read where the catalogue knows the code no longer

    def __str__(self) -> str:
        """English in metric units, for logs and for errors that nobody rendered."""
        return render(self)

    def __hash__(self) -> int:
        return hash((self.code, *self.values))


Text: TypeAlias = Message | str


def say(code: str, **values: Any) -> Message:
    """The sentence `code` of the catalogues, filled with `values` where it is rendered.

    A value is a number, a text, another sentence, or several of them.
    """
    return Message(code, {name: _plain(value) for name, value in values.items()})


def sentences(texts: Iterable[Text]) -> Text:
    """Several sentences, one after the other."""
    several = tuple(text for text in texts if text)
    return several[0] if len(several) == 1 else say("sentences", several=several)


def amount(value: float | None, unit: str, half: float | None = None) -> Message:
    """A quantity in an SI unit that is known only when it is said: a figure, a set point.

    `half`: of its interval, in the same unit; it decides how many digits are shown.
    """
    return say("amount", value=value, unit=unit, half=half)


def difference(value: float, unit: str) -> Message:
    """The same for a difference, which has no zero of its scale."""
    return say("difference", value=value, unit=unit)


def _plain(value: Any) -> Value:
    """A value that every encoder takes: no subclass of str or float, no array."""
    if value is None or isinstance(value, Message):
        return value
    if isinstance(value, enum.Enum):
        return str(value.value)
    if isinstance(value, str):
        return str(value)
    if isinstance(value, bool | int):
        return int(value)
    if isinstance(value, float):
        return float(value)
    if isinstance(value, numbers.Real):
        return float(value)
    if isinstance(value, Iterable):
        return tuple(_plain(each) for each in value)  # type: ignore[misc]
    return str(value)  # an error, a path


def render(text: Text, units: UnitSystem = UnitSystem.METRIC, language: str = ENGLISH) -> str:
    """A sentence for a reader; plain text comes back as it is."""
    if isinstance(text, str):
        return text
    whole = _filled(text, units, language)
    told = catalogue(language)
    first = PLACE.match(told.messages.get(text.code, "")) if told.names else None
    return whole[:1].upper() + whole[1:] if first and set("nw") & set(first[3] or "") else whole


def _filled(text: Message, units: UnitSystem, language: str) -> str:
    told = catalogue(language)
    template = told.messages.get(text.code)
    if template is None:
        return text.text or text.code

    def fill(place: re.Match[str]) -> str:
        name, digits, form = place[1], place[2] or "", place[3] or ""
        if name not in text.values:
            return place[0]
        if "u" in form:
            return _amount(text.values, units, told, spread="d" in form)
        return _value(name, text.values[name], digits, form, units, told, language)

    return PLACE.sub(fill, template)


def _value(
    name: str,
    value: Value,
    digits: str,
    form: str,
    units: UnitSystem,
    told: LanguageCatalogue,
    language: str,
) -> str:
    if isinstance(value, tuple):
        bare = [f"b{form}" if isinstance(one, int | float) else form for one in value[:-1]]
        parts = [
            _value(name, one, digits, how, units, told, language)
            for one, how in zip(value, [*bare, form], strict=False)
        ]
        return (" " if "s" in form else ", ").join(parts)
    if isinstance(value, Message):
        return _filled(value, units, language)
    if isinstance(value, str):
        return _word(value, form, told)
    if value is None or math.isnan(value):
        return "—"
    unit, usual = "", None
    last = name.rpartition("_")[2]
    if last in UNITS:
        unit, factor, offset, usual = scale(UNITS[last], units)
        value = value * factor + (0.0 if "d" in form else offset)
    if "p" in form:
        value *= 100.0
    if "g" in form:
        text = f"{value:.{digits or 6}g}".replace("-", "−")
    elif isinstance(value, int) and not digits:
        text = str(value).replace("-", "−")
    elif not digits and usual is None:
        text = f"{value:.6g}".replace("-", "−")
    else:
        text = number(value, int(digits) if digits else usual or 0)
    if "+" in form and value > 0 and text.strip("0."):  # what reads as nothing has no sign
        text = f"+{text}"
    text = text.translate({ord(","): told.group, ord("."): told.decimal})
    if "p" in form and "b" not in form:
        unit = "%"
    return text if "b" in form or not unit else f"{text} {told.units.get(unit, unit)}"


def _amount(
    values: dict[str, Value], units: UnitSystem, told: LanguageCatalogue, *, spread: bool
) -> str:
    value, half = values["value"], values.get("half")
    if not isinstance(value, int | float) or math.isnan(value):
        return "—"
    unit, factor, offset, digits = scale(str(values.get("unit", "")), units)
    text, ending = "", f" {told.units.get(unit, unit)}" if unit else ""
    if isinstance(half, int | float):
        while digits < 3 and 0.0 < half * factor < 0.95 * 10.0**-digits:
            digits += 1
        text = f" ± {number(half * factor, digits)}"
    text = number(value * factor + (0.0 if spread else offset), digits) + text
    return text.translate({ord(","): told.group, ord("."): told.decimal}) + ending


def _word(value: str, form: str, told: LanguageCatalogue) -> str:
    if "w" in form:
        return told.words.get(value, value)
    if "n" in form and told.names:
        text = value.replace("-", " ").replace("_", " ")
        if text in told.names:
            return told.names[text]
        return " ".join(told.names.get(word, word) for word in text.split(" "))
    return value
