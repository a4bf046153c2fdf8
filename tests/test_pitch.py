"""Names, frequencies and cents, and back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.pitch import (
    cents_to_ratio,
    hz_to_cents,
    hz_to_midi,
    midi_to_hz,
    note_name,
    parse_note,
    ratio_to_cents,
)


@given(midi=st.floats(0.0, 127.0), a4_hz=st.floats(380.0, 500.0))
def test_frequency_and_number_are_inverse(midi: float, a4_hz: float) -> None:
    back = hz_to_midi(midi_to_hz(midi, a4_hz=a4_hz), a4_hz=a4_hz)
    # Rounding of a double near 100 is 1e-14; a few operations.
    assert back == pytest.approx(midi, abs=1e-11)


@given(midi=st.integers(12, 120))
def test_a_name_is_read_back(midi: int) -> None:
    assert parse_note(note_name(midi)) == midi
    assert parse_note(note_name(midi).lower().replace("#", "♯")) == midi


@given(cents=st.floats(-2400.0, 2400.0))
def test_cents_and_ratio_are_inverse(cents: float) -> None:
    assert ratio_to_cents(cents_to_ratio(cents)) == pytest.approx(cents, abs=1e-9)


@given(midi=st.integers(21, 108), cents=st.floats(-90.0, 90.0))
def test_cents_are_counted_from_the_named_note(midi: int, cents: float) -> None:
    hz = midi_to_hz(midi) * float(cents_to_ratio(cents))
    assert hz_to_cents(hz, midi=midi) == pytest.approx(cents, abs=1e-8)


def test_arrays_give_the_same_as_numbers() -> None:
    midi = np.array([21, 60, 69, 108])
    assert midi_to_hz(midi, a4_hz=442.0) == pytest.approx(
        [midi_to_hz(float(m), a4_hz=442.0) for m in midi]
    )


def test_flats_are_understood() -> None:
    assert parse_note("Bb3") == parse_note("A#3") == parse_note(" b♭3 ")
    assert parse_note("Cb4") == parse_note("B3")
    assert parse_note("B#3") == parse_note("C4") == 60


@pytest.mark.parametrize("text", ["", "H4", "C", "4", "C##4", "C4x", "C 4", "A-", "C123"])
def test_what_is_no_note_name_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a note name"):
        parse_note(text)


@pytest.mark.parametrize(("hz", "a4"), [(0.0, 440.0), (-1.0, 440.0), (440.0, 0.0)])
def test_frequencies_that_are_not_positive_are_refused(hz: float, a4: float) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        hz_to_midi(hz, a4_hz=a4)
