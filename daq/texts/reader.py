"""Who reads: in which units and in which language. Sentences, labels and numbers become text here.

Data flow: Message, labels and SI values of a result -> Reader -> reports and the command line. The
page does the same in its own code, from the same catalogues.
"""

from __future__ import annotations

import functools
import re

import msgspec

from daq import quantities
from daq.quantities import UnitSystem
from daq.texts.catalogue import ENGLISH, catalogue
from daq.texts.message import Text, render

_POINT = re.compile(r"(?<=\d)\.(?=\d)")  # of a number within a label


class Reader(msgspec.Struct, frozen=True):
    """`language` is the code of a catalogue; English is read where there is none."""

    units: UnitSystem = UnitSystem.METRIC
    language: str = ENGLISH

    def sentence(self, text: Text) -> str:
        """A sentence of the catalogues; what people wrote comes back as it is."""
        return render(text, self.units, self.language)

    def word(self, name: str) -> str:
        """A word of the catalogues' list; another one with blanks for its signs."""
        return catalogue(self.language).words.get(name, name.replace("_", " "))

    def label(self, text: str) -> str:
        """A label of a result: its parts by the language's patterns, the rest as it came."""
        for form, told in _patterns(self.language):
            text = form.sub(told, text)
        return _POINT.sub(catalogue(self.language).decimal, text)

    def heading(self, text: str) -> str:
        """A label of a result at the beginning of a line."""
        return headed(self.label(text))

    def unit(self, unit: str) -> str:
        """What is read in place of an SI unit."""
        read = quantities.unit_shown(unit, self.units)
        return catalogue(self.language).units.get(read, read)

    def shown(self, value: float | None, unit: str) -> str:
        """A value in SI, with the unit and the digits of the reader."""
        if value is None:
            return "—"
        told = self.local(quantities.shown(value, unit, bare=True, units=self.units))
        return f"{told} {self.unit(unit)}".rstrip()

    def fine(self, value: float, unit: str) -> str:
        """A small difference with two telling digits."""
        told = quantities.fine(value, unit, self.units).partition(" ")[0]
        return f"{self.local(told)} {self.unit(unit)}".rstrip()

    def number(self, value: float, digits: int) -> str:
        """A plain number with so many decimals."""
        return self.local(quantities.number(value, digits))

    def local(self, text: str) -> str:
        """A number that is already text, with the language's signs for decimals and groups."""
        told = catalogue(self.language)
        return text.translate({ord(","): told.group, ord("."): told.decimal})


USUAL = Reader()


def headed(text: str) -> str:
    """With a capital at its beginning."""
    return f"{text[:1].upper()}{text[1:]}"


@functools.cache
def _patterns(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    return tuple(
        (re.compile(form, re.IGNORECASE), told.replace("$", "\\"))
        for form, told in catalogue(language).labels.items()
    )
