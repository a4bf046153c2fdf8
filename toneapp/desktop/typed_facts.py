"""How does what a person has typed become a fact, and a fact become text to type over?

Every function takes text as it stands in a field and raises `InputError` with a sentence that
names the field. An empty field is "not known".

Functions: `typed_number`, `typed_whole`, `typed_key`, `typed_compass`, `typed_strings`,
`number_words`, `key_words`, `strings_words`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from toneapp.errors import InputError
from toneapp.keyboard import Compass
from toneapp.library import StringCount
from toneapp.pitch import note_name, parse_note

__all__ = [
    "key_words",
    "number_words",
    "strings_words",
    "typed_compass",
    "typed_key",
    "typed_number",
    "typed_strings",
    "typed_whole",
]


def typed_number(text: str, what: str) -> float | None:
    """Read a number; a decimal comma is understood.

    Raises
    ------
    InputError
        If it is none.

    Examples
    --------
    >>> typed_number("1,5", "distance"), typed_number(" ", "distance")
    (1.5, None)
    """
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{what}: {text!r} is not a number; leave it empty or correct it")
    return value


def typed_whole(text: str, what: str) -> int | None:
    """Read a whole number.

    Raises
    ------
    InputError
        If it is none.
    """
    value = typed_number(text, what)
    if value is None:
        return None
    if value != int(value):
        raise InputError(f"{what}: {text.strip()!r} is not a whole number; correct it")
    return int(value)


def typed_key(text: str, what: str) -> int | None:
    """Read the name of a key.

    Raises
    ------
    InputError
        If it is none.
    """
    if not text.strip():
        return None
    try:
        return parse_note(text.strip())
    except ValueError as exc:
        raise InputError(f"{what}: {text.strip()!r} is not a key; write it like F#6") from exc


def typed_compass(text: str) -> Compass:
    """Read a range of keys.

    Raises
    ------
    InputError
        If it is none.
    """
    try:
        return Compass.parse(text.strip())
    except ValueError as exc:
        raise InputError(f"range of keys: {text.strip()!r} is none; write it like A0-C8") from exc


def typed_strings(text: str) -> tuple[StringCount, ...]:
    """Read how many strings the notes have, each from a note upward.

    Raises
    ------
    InputError
        If a part is not a note and a number.

    Examples
    --------
    >>> [(c.from_midi, c.strings) for c in typed_strings("A0 1, A1: 2; C#3 3")]
    [(21, 1), (33, 2), (49, 3)]
    """
    counts = []
    for part in re.split(r"[,;]", text):
        words = part.replace(":", " ").split()
        if not words:
            continue
        key = typed_key(words[0], "strings")
        if len(words) != 2 or key is None or not words[1].isdigit():
            raise InputError(
                f"strings: {part.strip()!r} is not understood; write them like A0 1, A1 2, C3 3"
            )
        counts.append(StringCount(from_midi=key, strings=int(words[1])))
    return tuple(counts)


def number_words(value: float | None) -> str:
    """Write a number to be typed over."""
    return "" if value is None else f"{value:g}"


def key_words(midi: int | None) -> str:
    """Write a key to be typed over."""
    return "" if midi is None else note_name(midi)


def strings_words(counts: Sequence[StringCount]) -> str:
    """Write how many strings the notes have, as `typed_strings` reads it."""
    return ", ".join(f"{note_name(count.from_midi)} {count.strings}" for count in counts)
