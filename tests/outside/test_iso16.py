"""Notes and cents against the standard tuning frequency and the definition of temperament."""

from __future__ import annotations

import math

import pytest

from toneapp.pitch import cents_to_ratio, hz_to_cents, midi_to_hz, parse_note, ratio_to_cents

# ISO 16:1975, Acoustics - Standard tuning frequency: A4 = 440 Hz. The others follow from the
# definition of equal temperament, worked out to four places.
AT_440_HZ = {
    "A0": 27.5000, "C1": 32.7032, "C2": 65.4064, "C3": 130.8128, "C4": 261.6256, "A4": 440.0000,
    "C5": 523.2511, "C6": 1046.5023, "F6": 1396.9129, "C7": 2093.0045, "C8": 4186.0090,
}  # fmt: skip
AT_442_HZ = {"C4": 262.8148, "A4": 442.0, "C8": 4205.0364}


@pytest.mark.parametrize(("name", "hz"), AT_440_HZ.items())
def test_notes_at_the_standard_frequency(name: str, hz: float) -> None:
    assert midi_to_hz(parse_note(name)) == pytest.approx(hz, abs=1e-4)
    # Half of the last place given, in cents.
    assert hz_to_cents(hz, midi=parse_note(name)) == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize(("name", "hz"), AT_442_HZ.items())
def test_notes_at_another_reference(name: str, hz: float) -> None:
    assert midi_to_hz(parse_note(name), a4_hz=442.0) == pytest.approx(hz, abs=1e-4)


@pytest.mark.parametrize(
    ("hz", "cents"), [(441.0, 3.9302), (442.0, 7.8514), (443.0, 11.7638), (435.0, -19.7857)]
)
def test_cents_of_other_tuning_forks(hz: float, cents: float) -> None:
    # 1200 log2(f / 440), worked out to four places.
    assert hz_to_cents(hz, midi=69) == pytest.approx(cents, abs=1e-4)


def test_pure_intervals_against_temperament() -> None:
    # The pure fifth is 1.9550 cents wider than the tempered one, the pure third 13.6863 narrower.
    assert float(ratio_to_cents(3 / 2)) - 700.0 == pytest.approx(1.9550, abs=1e-4)
    assert float(ratio_to_cents(5 / 4)) - 400.0 == pytest.approx(-13.6863, abs=1e-4)
    assert float(cents_to_ratio(1200.0)) == 2.0


@pytest.mark.parametrize(
    ("low", "n_low", "high", "n_high", "beat_hz"),
    [
        ("C4", 3, "G4", 2, -0.8858),
        ("F3", 5, "A3", 4, 6.9294),  # "about seven beats a second" (tuning manuals, from memory)
        ("C4", 5, "E4", 4, 10.3824),
    ],
)
def test_beats_of_tempered_intervals(
    low: str, n_low: int, high: str, n_high: int, beat_hz: float
) -> None:
    beat = n_high * midi_to_hz(parse_note(high)) - n_low * midi_to_hz(parse_note(low))
    assert beat == pytest.approx(beat_hz, abs=1e-3)


def test_an_octave_is_twelve_equal_steps() -> None:
    for midi in range(21, 97):
        assert midi_to_hz(midi + 12) == pytest.approx(2.0 * midi_to_hz(midi), rel=1e-14)
        assert midi_to_hz(midi + 1) / midi_to_hz(midi) == pytest.approx(math.exp2(1 / 12))
