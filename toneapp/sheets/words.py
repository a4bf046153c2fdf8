"""In which words does a sheet speak?

All words of the sheets stand in one data file, ``words.toml``, one table a language. `Say` puts
words, figures and names together, in one language and with the numbers of one place.

Classes and functions: `Words`, `Say`, `load_words`, `languages`.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from toneapp.errors import InputError
from toneapp.sheets.blocks import Part, Rich, plain
from toneapp.sheets.figures import DECIMALS, Figure
from toneapp.sheets.places import MM_PER_INCH, Lengths, Place
from toneapp.sheets.settings import SheetSettings
from toneapp.wording import NOT_MEASURED, quantity_text

__all__ = ["Say", "Words", "languages", "load_words"]

_MM_PER_M = 1000.0
_INCHES_PER_FOOT = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The words of one language, by section and name joined with a dot."""

    language: str
    table: Mapping[str, str]

    def pattern(self, name: str) -> str:
        """Words under a name, with their braces.

        Raises
        ------
        KeyError
            If there is no such name.
        """
        return self.table[name]


@cache
def load_words(language: str = "en") -> Words:
    """Words of a language; those it lacks are taken from English.

    Raises
    ------
    InputError
        If the language is not there.
    """
    every = _tables()
    if language not in every:
        raise InputError(
            f"the sheets do not speak {language!r} yet; choose one of {', '.join(every)}"
        )
    return Words(language=language, table=_flat(every["en"]) | _flat(every[language]))


def languages() -> tuple[str, ...]:
    """Languages that the sheets speak."""
    return tuple(_tables())


def _tables() -> dict[str, dict[str, dict[str, str]]]:
    return tomllib.loads(files("toneapp.sheets").joinpath("words.toml").read_text("utf-8"))


def _flat(table: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    return {f"{section}.{name}": text for section, t in table.items() for name, text in t.items()}


class Say:
    """Puts words, figures and names together.

    Parameters
    ----------
    settings : SheetSettings
        Language, place and unit of lengths.
    """

    def __init__(self, settings: SheetSettings) -> None:
        self.words = load_words(settings.language)
        self.place: Place = settings.place
        self.lengths = settings.lengths

    def text(self, name: str, /, **parts: str | int | Part | Rich) -> str:
        """Words as one text, with their braces filled."""
        return plain(self.rich(name, **parts))

    def rich(self, name: str, /, **parts: str | int | Part | Rich) -> Rich:
        """Words with figures and names kept apart in them.

        Raises
        ------
        KeyError
            If there are no such words, or a brace has nothing to fill it.
        """
        found: list[Part] = []
        for literal, field, _, _ in string.Formatter().parse(self.words.pattern(name)):
            if literal:
                found.append(literal)
            if field is not None:
                value = parts[field]
                if isinstance(value, tuple):
                    found += value
                else:
                    found.append(str(value) if isinstance(value, int) else value)
        return tuple(found)

    def listing(self, items: Iterable[Rich]) -> Rich:
        """Join texts by commas."""
        joined: list[Part] = []
        for item in items:
            if joined:
                joined.append(self.words.pattern("common.and"))
            joined += item
        return tuple(joined)

    def day(self, when: str) -> str:
        """Write the day of an ISO 8601 text."""
        return self.place.day(when) if when else self.text("common.not_noted")

    def unit(self, unit: str) -> str:
        """Unit as it is said in the language."""
        return self.words.table.get(f"units.{unit}", unit)

    def quantity(
        self,
        value: float | None,
        unit: str,
        *,
        se: float | None = None,
        decimals: int | None = None,
        is_signed: bool = False,
    ) -> Figure:
        """Say a quantity as `toneapp.wording.quantity_text` does, with the numbers behind it."""
        decimals = DECIMALS.get(unit, 2) if decimals is None else decimals
        text = quantity_text(value, self.unit(unit), se=se, decimals=decimals, is_signed=is_signed)
        return Figure(
            text=self.place.numbers(text), value=value, unit=unit, se=None if value is None else se
        )

    def interval(
        self,
        value: float | None,
        low: float | None,
        high: float | None,
        unit: str,
        *,
        is_signed: bool = False,
        shows_unit: bool = True,
    ) -> Figure:
        """Say a value with the ends of its interval, such as "1.64 s [1.13, 2.37]"."""
        if value is None:
            return Figure(text=NOT_MEASURED, value=None, unit=unit)
        decimals = DECIMALS.get(unit, 2)

        def said(number: float, shown_unit: str = "") -> str:
            return quantity_text(number, shown_unit, decimals=decimals, is_signed=is_signed)

        text = said(value, self.unit(unit) if shows_unit else "")
        if low is not None and high is not None:
            separator = "; " if self.place.decimal == "," else ", "
            text += f" [{said(low)}{separator}{said(high)}]"
        return Figure(text=self.place.numbers(text), value=value, unit=unit, low=low, high=high)

    def distance(self, metres: float | None) -> Rich:
        """Say how far the microphone stood off, in m or in feet."""
        if metres is None:
            return (self.text("common.not_noted"),)
        if self.lengths is Lengths.INCH:
            feet = metres * _MM_PER_M / MM_PER_INCH / _INCHES_PER_FOOT
            return (self.quantity(feet, "ft", decimals=1),)
        return (self.quantity(metres, "m", decimals=1),)

    def length(self, millimetres: float | None) -> Figure:
        """Say a small length, in mm or in inches."""
        if self.lengths is Lengths.INCH:
            return self.quantity(None if millimetres is None else millimetres / MM_PER_INCH, "in")
        return self.quantity(millimetres, "mm")
