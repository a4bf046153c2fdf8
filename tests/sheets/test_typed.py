"""What a person typed cannot do anything on a sheet."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.sheets.typed import LONGEST, clean_text, is_right_to_left, isolated, shortened


@given(st.text(st.characters()))
def test_no_control_and_no_turning_mark_is_left(text: str) -> None:
    cleaned = clean_text(text)
    assert len(cleaned) <= LONGEST
    assert clean_text(cleaned) == cleaned
    cleaned.encode("utf-8")
    for sign in cleaned:
        assert unicodedata.category(sign) not in ("Cc", "Cs", "Zl", "Zp")
        assert sign not in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


@pytest.mark.parametrize(
    ("text", "cleaned"),
    [
        ("  Flügel \t Łódź\n", "Flügel Łódź"),
        ("half \ud83d sign", "half sign"),
        ("u\u0308", "ü"),
        ("x" * 3000, "x" * (LONGEST - 1) + "…"),
    ],
)
def test_words_stay_what_they_are(text: str, cleaned: str) -> None:
    assert clean_text(text) == cleaned


@given(st.text(), st.integers(2, 50))
def test_a_text_is_cut_to_length(text: str, most: int) -> None:
    assert len(shortened(text, most)) <= max(most, 1)


def test_a_letter_is_not_parted_from_its_marks() -> None:
    assert (
        shortened("abcd\u0308\u0323ef", 6) == "abcd…"
        or shortened("abcd\u0308\u0323ef", 6) == "abc…"
    )


def test_direction() -> None:
    assert is_right_to_left("Grand פסנתר")
    assert not is_right_to_left("Grand ±1")
    assert isolated("Grand פסנתר") == "\u2068Grand פסנתר\u2069"
    assert isolated("Grand ±1") == "Grand ±1"
