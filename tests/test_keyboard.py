"""Compass and breaks of a keyboard."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.keyboard import FULL_COMPASS, Compass, KeyboardLayout, is_black_key
from toneapp.pitch import parse_note


@given(st.tuples(st.integers(12, 120), st.integers(12, 120)).map(sorted))
def test_a_compass_is_read_back(ends: list[int]) -> None:
    compass = Compass(lowest_midi=ends[0], highest_midi=ends[1])
    assert Compass.parse(str(compass)) == compass
    assert len(compass) == len(list(compass)) == ends[1] - ends[0] + 1
    assert all(midi in compass for midi in compass)
    assert ends[0] - 1 not in compass
    assert ends[1] + 1 not in compass


def test_the_usual_compasses_have_their_number_of_keys() -> None:
    assert len(FULL_COMPASS) == 88
    assert str(FULL_COMPASS) == "A0-C8"
    assert len(Compass.parse("A0-A7")) == 85
    assert Compass.parse("C2–C7") == Compass.parse("C2-C7")  # a dash is taken for a hyphen


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("A0", "is not a compass"),
        ("", "is not a compass"),
        ("A0-H8", "is not a note name"),
        ("C8-A0", "runs upward"),
        ("A0-C12", "within C0-C9"),
    ],
)
def test_what_is_no_compass_is_refused(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Compass.parse(text)


def test_breaks_are_the_first_notes_of_the_sections() -> None:
    layout = KeyboardLayout(
        first_plain_midi=parse_note("E2"),
        bass_bridge_top_midi=parse_note("D#2"),
        last_damper_midi=parse_note("F6"),
    )
    # The bass bridge ends where the plain wire begins: one break, not two.
    assert layout.breaks() == (parse_note("E2"), parse_note("F#6"))
    assert KeyboardLayout().breaks() == ()


def test_a_break_beyond_the_keys_is_none() -> None:
    short = Compass.parse("C3-C6")
    layout = KeyboardLayout(compass=short, first_plain_midi=40, last_damper_midi=89)
    assert layout.breaks() == ()


def test_a_keyboard_has_36_raised_keys() -> None:
    assert sum(is_black_key(midi) for midi in FULL_COMPASS) == 36
    assert [is_black_key(parse_note(name)) for name in ("E4", "F4", "F#4")] == [False, False, True]
