"""What the place adds is taken off before a note is judged, and its error is counted."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from toneapp.evenness import judge_evenness
from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import note_name
from toneapp.results import NoteResult, Raised, StrikeResult


def run() -> list[StrikeResult]:
    """Three even blows on each of 60 keys of an even instrument."""
    rng = np.random.default_rng(11)
    strikes = []
    for midi in range(30, 90):
        for blow in range(3):
            onset_s = 3.0 * midi + blow
            bright = 3.0 - 0.03 * (midi - 30) + 0.3 * blow + float(rng.normal(0.0, 0.01))
            strikes.append(
                StrikeResult(
                    midi=midi,
                    note=note_name(midi),
                    onset_s=onset_s,
                    end_s=onset_s + 0.9,
                    level_db=-30.0 + 6.0 * blow + float(rng.normal(0.0, 0.5)),
                    brightness=bright,
                    brightness_se=0.01,
                )
            )
    return strikes


def with_place(
    strikes: list[StrikeResult], midi: int, *, level_db: float, brightness: float, se: float
) -> list[StrikeResult]:
    """A room that makes one key louder and brighter, known to the strikes."""
    return [
        dataclasses.replace(
            s,
            level_db=s.level_db + (level_db if s.midi == midi else 0.0),
            brightness=s.brightness + (brightness if s.midi == midi else 0.0),
            place_db=level_db if s.midi == midi else 0.0,
            place_db_se=10.0 * se,
            place_oct=brightness if s.midi == midi else 0.0,
            place_oct_se=se,
        )
        for s in strikes
    ]


def note(strikes: list[StrikeResult], midi: int) -> NoteResult:
    notes, _ = judge_evenness(strikes, layout=KeyboardLayout())
    return next(item for item in notes if item.midi == midi)


def test_a_key_that_the_room_makes_bright_is_as_it_was() -> None:
    strikes = run()
    before = note(strikes, 60)
    after = note(with_place(strikes, 60, level_db=8.0, brightness=0.9, se=0.01), 60)
    assert after.brightness == pytest.approx(before.brightness, abs=1e-6)
    assert after.level_db == pytest.approx(before.level_db, abs=1e-6)
    assert after.brightness_place_oct == pytest.approx(0.9)
    assert after.level_place_db == pytest.approx(8.0)
    assert after.raised == ()


def test_without_knowing_the_room_the_same_key_is_raised() -> None:
    loud = with_place(run(), 60, level_db=8.0, brightness=0.9, se=0.01)
    unknown = [dataclasses.replace(s, place_db=None, place_oct=None) for s in loud]
    assert {Raised.BRIGHT, Raised.LOUD} <= set(note(unknown, 60).raised)


def test_the_error_of_the_place_is_in_the_error_of_the_note() -> None:
    sure = note(with_place(run(), 60, level_db=0.0, brightness=0.0, se=0.0), 60)
    unsure = note(with_place(run(), 60, level_db=0.0, brightness=0.0, se=0.2), 60)
    assert unsure.brightness_se > 0.2 > sure.brightness_se
    assert unsure.level_se > 2.0 > sure.level_se
