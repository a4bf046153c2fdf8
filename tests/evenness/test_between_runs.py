"""What differs between two runs by chance and by the hand is not taken for work on the notes."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.evenness import (
    NoteEstimates,
    note_changes,
    paired_brightness,
    paired_change,
    widened,
)

NOTES = np.arange(21.0, 109.0)
SLOPE = np.interp(NOTES, (21.0, 60.0, 108.0), (0.09, 0.06, 0.015))  # octave per dB
TOUCH_DB = 2.0
LINE_OCT = 0.05


def played_twice(
    rng: np.random.Generator, hammers: dict[int, float] | None = None, gain_db: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Changes of level and brightness between two single blows on each note."""
    level = rng.normal(0.0, TOUCH_DB * np.sqrt(2.0), NOTES.size)
    work = np.zeros(NOTES.size)
    for midi, octaves in (hammers or {}).items():
        work[midi - 21] = octaves
    brightness = SLOPE * level + work + rng.normal(0.0, LINE_OCT * np.sqrt(2.0), NOTES.size)
    return level + gain_db, brightness


def changed(level: np.ndarray, brightness: np.ndarray, *, is_gain_alike: bool = True) -> set[int]:
    blows = paired_brightness(NOTES, level, brightness, is_gain_alike=is_gain_alike)
    assert blows is not None
    df = np.full(NOTES.size, blows.df)
    nothing = np.zeros(NOTES.size)
    found = note_changes(
        NoteEstimates(midi=NOTES.astype(np.int64), value=nothing, se=nothing, df=df),
        NoteEstimates(midi=NOTES.astype(np.int64), value=blows.difference, se=blows.se, df=df),
        audible=0.0,
    )
    return {int(midi) for midi in found.midi[found.is_changed]}


def test_an_untouched_piano_played_twice_with_single_blows_shows_no_work() -> None:
    # Nothing was changed, so that every discovery is false: at a false-discovery rate of 5 % one
    # pair of runs in twenty may show any. 60 pairs: 3 expected, more than 8 in 1 of 250 cases
    # (binomial distribution, worked out).
    pairs = [changed(*played_twice(np.random.default_rng(key))) for key in range(60)]
    assert sum(bool(found) for found in pairs) <= 8


def test_a_hammer_that_was_needled_is_found_through_the_hand() -> None:
    level, brightness = played_twice(np.random.default_rng(1), {60: -0.6, 90: 0.7})
    assert changed(level, brightness) == {60, 90}
    # The blow that was 5 dB harder on one key is not taken for a hammer.
    harder = level.copy()
    harder[10] += 5.0
    brighter = brightness.copy()
    brighter[10] += 5.0 * SLOPE[10]
    assert changed(harder, brighter) == {60, 90}


def test_a_changed_gain_is_not_taken_for_a_harder_hand() -> None:
    level, brightness = played_twice(np.random.default_rng(3), gain_db=12.0)
    blows = paired_brightness(NOTES, level, brightness, is_gain_alike=False)
    assert blows is not None
    assert float(np.median(blows.difference)) == pytest.approx(0.0, abs=0.03)


def test_work_on_all_hammers_is_seen_in_all_of_them() -> None:
    level, brightness = played_twice(np.random.default_rng(4))
    blows = paired_brightness(NOTES, level, brightness - 0.4, is_gain_alike=True)
    assert blows is not None
    assert float(np.median(blows.difference)) == pytest.approx(-0.4, abs=0.03)


def test_the_error_told_is_the_scatter_there_is() -> None:
    rng = np.random.default_rng(5)
    change = rng.normal(1.0, 0.5, 88)
    change[[3, 40]] += 9.0  # two notes that were worked on
    blows = paired_change(change, least_scatter=0.01)
    assert blows is not None
    # A median absolute deviation of 31 normal values has a relative error of 0.21
    # (1 / sqrt(2 * 0.37 * 31), Rousseeuw and Croux 1993); three of them.
    assert blows.se == pytest.approx(np.full(88, 0.5), rel=0.63)
    assert np.array_equal(blows.difference, change)


def test_few_notes_tell_no_scatter() -> None:
    assert paired_change(np.zeros(6), least_scatter=0.1) is None
    short = np.arange(60.0, 66.0)
    assert paired_brightness(short, short, short, is_gain_alike=True) is None
    with pytest.raises(ValueError, match="per note"):
        paired_brightness(NOTES, NOTES[1:], NOTES, is_gain_alike=True)


def test_errors_are_widened_to_the_scatter_between_runs_and_never_narrowed() -> None:
    rng = np.random.default_rng(6)
    midi = np.arange(21, 109)

    def run(scatter: float, shift: float = 0.0) -> NoteEstimates:
        return NoteEstimates(
            midi=midi,
            value=shift + rng.normal(0.0, scatter, midi.size),
            se=np.full(midi.size, 0.1),
            df=np.full(midi.size, 20.0),
        )

    before, after = widened(run(0.3), run(0.3, shift=5.0))  # three times the error that is told
    assert float(before.se[0]) == pytest.approx(0.3, rel=0.3)
    assert float(after.se[0]) == float(before.se[0])
    steady = widened(run(0.02), run(0.02))
    assert float(steady[0].se[0]) == 0.1
