"""How is text that a person typed made fit for a sheet?

Names, places and notes are anybody's: they may hold control characters, turn the direction of
writing around, or be hundreds of letters long. They stay what they are, but cannot do anything.
Escaping for HTML is done where HTML is written; in the PDF, text never passes as markup.

Classes and functions: `Typed`, `typed`, `clean_text`, `shortened`, `isolated`,
`is_right_to_left`.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

__all__ = ["Typed", "clean_text", "is_right_to_left", "isolated", "shortened", "typed"]

_ISOLATE, _END_ISOLATE = "\N{FIRST STRONG ISOLATE}", "\N{POP DIRECTIONAL ISOLATE}"

LONGEST = 2000
"""Letters of one text that are shown; more is a mistake, not a name."""

_DIRECTION_MARKS = frozenset(
    "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c"
)
"""They would turn what follows them on the sheet; the renderers isolate each text themselves."""

_ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """Text that a person typed, cleaned."""

    text: str


def typed(text: str) -> Typed:
    """Clean a text and mark it as typed by a person."""
    return Typed(text=clean_text(text))


def clean_text(text: str) -> str:
    r"""Take out what is not to be seen: control characters, marks of direction, half characters.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        On one line, in composed form; at most `LONGEST` letters.

    Examples
    --------
    >>> clean_text("Old\x00 upright\r\n \u202eenod")
    'Old upright enod'
    """
    kept = []
    for sign in unicodedata.normalize("NFC", text[: 2 * LONGEST]):
        kind = unicodedata.category(sign)
        if sign in _DIRECTION_MARKS or kind in ("Cs", "Cn", "Co"):
            continue
        kept.append(" " if kind in ("Cc", "Zl", "Zp") else sign)
    return shortened(" ".join("".join(kept).split()), LONGEST)


def shortened(text: str, most: int) -> str:
    """Text of at most `most` letters, cut with an ellipsis where a letter and its marks end.

    Examples
    --------
    >>> shortened("Practice upright", 9)
    'Practice…'
    """
    if len(text) <= most:
        return text
    end = most - 1
    while end > 0 and (unicodedata.combining(text[end]) or text[end] in "\u200d\ufe0f"):
        end -= 1
    return text[:end].rstrip() + _ELLIPSIS


def isolated(text: str) -> str:
    """Keep the direction of a typed text from reaching beyond it."""
    return f"{_ISOLATE}{text}{_END_ISOLATE}" if is_right_to_left(text) else text


def is_right_to_left(text: str) -> bool:
    """Tell whether a text holds letters that are written from right to left."""
    return any(unicodedata.bidirectional(sign) in ("R", "AL") for sign in text)
