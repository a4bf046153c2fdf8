"""Whose letterhead, which paper, which language: what is the same on all sheets of a workshop?

The settings live in a file ``sheet.toml`` (by default in the folder of the library), which a
person can write by hand::

    place = "en-GB"             # numbers and dates
    language = "en"             # of the words: one of those in words.toml
    paper = "A4"                # or "Letter"
    lengths = "mm"              # or "inch"

    [letterhead]
    workshop = "Workshop by the river"
    address = ["1 River Lane", "Invented Town"]
    contact = "telephone 000"
    logo = "logo.png"           # PNG, JPEG or SVG; beside this file

Classes and functions: `Letterhead`, `Logo`, `SheetSettings`, `load_settings`, `save_settings`,
`settings_text`, `read_logo`.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from toneapp.errors import InputError
from toneapp.saving import write_atomically
from toneapp.sheets.places import Lengths, Paper, Place, place_named
from toneapp.sheets.typed import clean_text

__all__ = [
    "SETTINGS_FILE",
    "Letterhead",
    "Logo",
    "SheetSettings",
    "load_settings",
    "read_logo",
    "save_settings",
    "settings_text",
]

SETTINGS_FILE = "sheet.toml"

_LARGEST_LOGO_BYTES = 2_000_000
_MOST_LINES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Logo:
    """A picture for the head of the sheet."""

    content: bytes
    form: str  # "png", "jpg" or "svg"

    @property
    def mime(self) -> str:
        """Its type on the web."""
        return {"png": "image/png", "jpg": "image/jpeg", "svg": "image/svg+xml"}[self.form]


@dataclass(frozen=True, slots=True, kw_only=True)
class Letterhead:
    """Who hands the sheet out; empty parts are left out."""

    workshop: str = ""
    address: tuple[str, ...] = ()
    contact: str = ""
    logo: Logo | None = None
    logo_file: str = ""  # as the settings name it

    def __post_init__(self) -> None:
        """Clean the words, as all that a person typed."""
        object.__setattr__(self, "workshop", clean_text(self.workshop))
        object.__setattr__(self, "address", tuple(clean_text(line) for line in self.address))
        object.__setattr__(self, "contact", clean_text(self.contact))

    @property
    def is_empty(self) -> bool:
        """Tell whether there is nothing to show."""
        return not (self.workshop or self.address or self.contact or self.logo)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSettings:
    """What is the same on all sheets; paper and lengths follow the place where not named."""

    letterhead: Letterhead = Letterhead()
    language: str = "en"
    place_name: str = "en-GB"
    paper_name: str = ""
    lengths_name: str = ""

    @property
    def place(self) -> Place:
        """Customs of numbers and dates."""
        return place_named(self.place_name)

    @property
    def paper(self) -> Paper:
        """Size of the pages."""
        return Paper(self.paper_name) if self.paper_name else self.place.paper

    @property
    def lengths(self) -> Lengths:
        """Unit of lengths."""
        return Lengths(self.lengths_name) if self.lengths_name else self.place.lengths

    def checked(self) -> SheetSettings:
        """Return the settings themselves, if all can be.

        Raises
        ------
        InputError
            If a value is not one of those that are known.
        """
        return _checked(self)


def load_settings(path: str | Path) -> SheetSettings:
    """Read the settings; a file that does not exist gives the defaults.

    Parameters
    ----------
    path : str or Path
        The file, or the folder it lies in.

    Returns
    -------
    SheetSettings

    Raises
    ------
    InputError
        If the file, or the logo it names, cannot be understood.
    """
    path = Path(path)
    if path.is_dir():
        path = path / SETTINGS_FILE
    if not path.exists():
        return SheetSettings()
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as exc:
        raise InputError(f"the settings {path} cannot be read: {exc}; correct them") from exc
    known = {"place", "language", "paper", "lengths", "letterhead"}
    head = table.get("letterhead", {})
    if not isinstance(head, dict):
        raise InputError(f"[letterhead] in {path} is not a section of the settings; correct it")
    unknown = sorted(
        [*(set(table) - known), *(set(head) - {"workshop", "address", "contact", "logo"})]
    )
    if unknown:
        raise InputError(f"{path} has words that are not known: {', '.join(unknown)}; correct it")
    logo_file = _word(head, "logo", path)
    return _checked(
        SheetSettings(
            letterhead=Letterhead(
                workshop=_word(head, "workshop", path),
                address=_address(head.get("address", []), path),
                contact=_word(head, "contact", path),
                logo=read_logo(path.parent / logo_file) if logo_file else None,
                logo_file=logo_file,
            ),
            language=_word(table, "language", path) or "en",
            place_name=_word(table, "place", path) or "en-GB",
            paper_name=_word(table, "paper", path),
            lengths_name=_word(table, "lengths", path),
        )
    )


def settings_text(settings: SheetSettings) -> str:
    """Write settings as the text of their file (inverse of `load_settings`)."""
    head = settings.letterhead
    lines = [
        f"place = {_quoted(settings.place_name)}",
        f"language = {_quoted(settings.language)}",
        f"paper = {_quoted(settings.paper)}",
        f"lengths = {_quoted(settings.lengths)}",
        "",
        "[letterhead]",
        f"workshop = {_quoted(head.workshop)}",
        f"address = [{', '.join(_quoted(line) for line in head.address)}]",
        f"contact = {_quoted(head.contact)}",
        f"logo = {_quoted(head.logo_file)}",
    ]
    return "\n".join(lines) + "\n"


def save_settings(path: str | Path, settings: SheetSettings) -> None:
    """Write the file of the settings; the logo has to lie beside it.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    path = Path(path)
    if path.is_dir():
        path = path / SETTINGS_FILE
    write_atomically(path, settings_text(settings).encode("utf-8"))


def read_logo(path: str | Path) -> Logo:
    """Read a logo.

    Raises
    ------
    InputError
        If it is missing, too large, or neither PNG nor JPEG nor SVG.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_LOGO_BYTES + 1)
    except OSError as exc:
        raise InputError(
            f"the logo {path} cannot be read: {exc.strerror}; check its name in the settings"
        ) from exc
    if len(content) > _LARGEST_LOGO_BYTES:
        raise InputError(f"the logo {path} is larger than 2 MB; make it smaller")
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        form = "png"
    elif content.startswith(b"\xff\xd8\xff"):
        form = "jpg"
    elif b"<svg" in content[:4000]:
        form = "svg"
    else:
        raise InputError(
            f"the logo {path} is neither PNG nor JPEG nor SVG; save it as one of them"
        )
    return Logo(content=content, form=form)


def _checked(settings: SheetSettings) -> SheetSettings:
    from toneapp.sheets.words import load_words

    _ = settings.place  # raises when it is not known
    load_words(settings.language)
    if settings.paper_name and settings.paper_name not in list(Paper):
        raise InputError(f"the paper {settings.paper_name!r} is not known; choose A4 or Letter")
    if settings.lengths_name and settings.lengths_name not in list(Lengths):
        raise InputError(f"lengths are in mm or inch, not in {settings.lengths_name!r}")
    return settings


def _word(table: dict[str, Any], name: str, path: Path) -> str:
    value = table.get(name, "")
    if not isinstance(value, str):
        raise InputError(f"{name} in {path} is not a text in quotes; correct it")
    return value.strip()


def _address(value: Any, path: Path) -> tuple[str, ...]:
    lines = value.splitlines() if isinstance(value, str) else value
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        raise InputError(f"address in {path} is not a list of lines in quotes; correct it")
    return tuple(line.strip() for line in lines[:_MOST_LINES] if line.strip())


def _quoted(text: str) -> str:
    """TOML's basic strings are those of JSON, but for DEL."""
    return json.dumps(str(text), ensure_ascii=False).replace("\x7f", "\\u007f")
