"""How are numbers, dates and lengths written in a place?

A table of our own (``places.toml``) and a few lines: a sheet needs the decimal sign, one form of
date and the unit of lengths, for which a library of all the world's customs would be ten
megabytes too much.

Classes and functions: `Place`, `Lengths`, `Paper`, `load_places`, `place_named`.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from functools import cache
from importlib.resources import files

from toneapp.errors import InputError

__all__ = ["Lengths", "Paper", "Place", "load_places", "place_named"]

MM_PER_INCH = 25.4
"""Exactly, by definition of the inch (ISO 80000-3)."""

_POINT = re.compile(r"(?<=\d)\.(?=\d)")


class Lengths(StrEnum):
    """Unit of lengths."""

    MM = "mm"
    INCH = "inch"


class Paper(StrEnum):
    """Size of the pages."""

    A4 = "A4"
    LETTER = "Letter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Customs of one language and place."""

    name: str  # such as "en-GB"
    decimal: str
    date_form: str
    months: tuple[str, ...]
    paper: Paper
    lengths: Lengths

    def numbers(self, text: str) -> str:
        """Write the numbers of a text of `toneapp.wording` with the decimal sign of the place.

        Examples
        --------
        >>> place_named("de-DE").numbers("−11.2 ± 0.4 cents")
        '−11,2 ± 0,4 cents'
        """
        return text if self.decimal == "." else _POINT.sub(self.decimal, text)

    def day(self, when: str | date) -> str:
        """Write the day of an ISO 8601 text, or the text itself when it is none.

        Examples
        --------
        >>> place_named("en-US").day("2024-05-31T14:30:00+00:00")
        'May 31, 2024'
        """
        if isinstance(when, str):
            try:
                when = datetime.fromisoformat(when).date()
            except ValueError:
                return str(when)
        return self.date_form.format(
            day=when.day,
            month=when.month,
            month_name=self.months[when.month - 1] if self.months else when.month,
            year=when.year,
        )


@cache
def load_places() -> dict[str, Place]:
    """All places that are known, by name."""
    table = tomllib.loads(files("toneapp.sheets").joinpath("places.toml").read_text("utf-8"))
    return {
        name: Place(
            name=name,
            decimal=entry["decimal"],
            date_form=entry["date"],
            months=tuple(entry.get("months", ())),
            paper=Paper(entry["paper"]),
            lengths=Lengths(entry["lengths"]),
        )
        for name, entry in table.items()
    }


def place_named(name: str) -> Place:
    """Find a place by its name, or by its language alone.

    Raises
    ------
    InputError
        If it is not known.
    """
    places = load_places()
    wanted = name.strip().replace("_", "-").casefold()
    for key, place in places.items():
        if wanted == key.casefold():
            return place
    for key, place in places.items():
        if wanted and wanted == key.casefold().split("-")[0]:
            return place
    raise InputError(f"the place {name!r} is not known; choose one of {', '.join(places)}")
