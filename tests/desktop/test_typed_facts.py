"""What is typed becomes a fact, or a sentence that names the field."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.desktop.typed_facts import (
    key_words,
    number_words,
    strings_words,
    typed_compass,
    typed_key,
    typed_number,
    typed_strings,
    typed_whole,
)
from toneapp.errors import InputError
from toneapp.library import StringCount


@given(st.integers(12, 120))
def test_keys_are_read_as_they_are_written(midi: int) -> None:
    assert typed_key(key_words(midi), "key") == midi


@given(st.floats(-1e5, 1e5).map(lambda value: float(f"{value:.4g}")))
def test_numbers_are_read_as_they_are_written(value: float) -> None:
    assert typed_number(number_words(value), "number") == pytest.approx(value)


@given(st.dictionaries(st.integers(21, 108), st.integers(1, 4), max_size=6))
def test_strings_are_read_as_they_are_written(counts: dict[int, int]) -> None:
    rows = tuple(StringCount(from_midi=m, strings=n) for m, n in sorted(counts.items()))
    assert typed_strings(strings_words(rows)) == rows


def test_nothing_typed_is_not_known() -> None:
    assert typed_number(" ", "a") is None
    assert typed_whole("", "a") is None
    assert typed_key("  ", "a") is None
    assert typed_strings(" ; ") == ()


@pytest.mark.parametrize(
    ("read", "text", "word"),
    [
        (lambda text: typed_number(text, "distance"), "far", "distance"),
        (lambda text: typed_number(text, "distance"), "nan", "distance"),
        (lambda text: typed_number(text, "distance"), "1e999", "distance"),
        (lambda text: typed_whole(text, "minutes"), "2.5", "minutes"),
        (lambda text: typed_key(text, "last damper"), "H9", "last damper"),
        (typed_compass, "C8-A0", "range of keys"),
        (typed_compass, "A0", "range of keys"),
        (typed_strings, "A0", "strings"),
        (typed_strings, "A0 one", "strings"),
        (typed_strings, "A0 1 2", "strings"),
    ],
)
def test_what_is_not_understood_names_the_field(
    read: Callable[[str], object], text: str, word: str
) -> None:
    with pytest.raises(InputError, match=word):
        read(text)
