"""Values as they were heard, with the place in them again."""

from __future__ import annotations

import pytest

from toneapp.library.as_heard import (
    heard_brightness,
    heard_brightness_se,
    heard_level_db,
    heard_level_se,
)
from toneapp.results import NoteResult


def test_the_place_is_put_back_and_its_error_left_out() -> None:
    note = NoteResult(
        midi=60, note="C4", strikes=3, level_db=-30.0, level_se=1.3, level_place_db=2.5,
        level_place_se=1.2, brightness=1.5, brightness_se=0.13, brightness_place_oct=-0.2,
        brightness_place_se=0.05,
    )  # fmt: skip
    assert heard_level_db(note) == pytest.approx(-27.5)
    assert heard_level_se(note) == pytest.approx(0.5)  # 5, 12, 13
    assert heard_brightness(note) == pytest.approx(1.3)
    assert heard_brightness_se(note) == pytest.approx(0.12)


def test_where_nothing_is_known_of_the_place_the_note_stays() -> None:
    note = NoteResult(midi=60, note="C4", strikes=1, level_db=-30.0, level_se=1.0)
    assert (heard_level_db(note), heard_level_se(note)) == (-30.0, 1.0)
    assert heard_brightness(note) is None
    assert heard_brightness_se(note) is None
