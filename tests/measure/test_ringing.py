"""Lines after a release, from sounds written down as formulas: known decay, noise and faults."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from toneapp.measure.ringing import RingLine, find_lines, peak_level
from toneapp.measure.ringing_fall import falling_lines
from toneapp.signal.peaks import PeakList

RATE = 32000
RELEASE_S = 1.0
NOISE_RMS = 1e-5
G6_HZ = 1568.0


def silent(hz: np.ndarray) -> np.ndarray:
    """Mean square per Hz of white noise at `NOISE_RMS`."""
    return np.full(hz.shape, NOISE_RMS**2 / (RATE / 2))


def damped_note(tones: ModuleType, *, midi: int = 60, damped_t60_s: float = 0.15) -> np.ndarray:
    """A note held for a second and then damped, with room noise."""
    rng = np.random.default_rng(midi)
    tone = tones.string_tone(
        f1_hz=tones.equal_tempered_hz(midi), b=tones.young_b(midi), rate_hz=RATE, length_s=3.0,
        t60_s=9.0, rng=rng,
    )  # fmt: skip
    t = np.arange(tone.size) / RATE
    tone = 0.2 * tone * 10.0 ** (-3.0 * np.clip(t - RELEASE_S, 0.0, None) / damped_t60_s)
    return np.asarray(tone + NOISE_RMS * rng.standard_normal(tone.size))


def ringing(
    sound: np.ndarray, hz: float, *, level_db: float, t60_s: float, phase: float = 0.4
) -> np.ndarray:
    """A line that is driven while the key is held and then decays exponentially.

    Its level holds 0.1 s after the release.
    """
    reference = peak_level(sound, sample_rate_hz=RATE, onset_s=0.0)
    t = np.arange(sound.size) / RATE
    amplitude = np.sqrt(2.0 * reference) * 10.0 ** (level_db / 20.0)
    decay = 10.0 ** (-3.0 * (np.clip(t - RELEASE_S, 0.0, None) - 0.1) / t60_s)
    rise = np.clip((t - 0.5) / 0.1, 0.0, 1.0)
    return np.asarray(amplitude * decay * rise * np.sin(2 * np.pi * hz * t + phase))


def lines_of(
    sound: np.ndarray, *, end_s: float | None = None, release_s: float = RELEASE_S
) -> tuple[RingLine, ...]:
    return find_lines(
        sound,
        sample_rate_hz=RATE,
        onset_s=0.0,
        release_s=release_s,
        end_s=sound.size / RATE if end_s is None else end_s,
        noise_density=silent,
    )


def near(lines: tuple[RingLine, ...], hz: float, *, width_hz: float = 4.0) -> list[RingLine]:
    return [line for line in lines if abs(line.hz - hz) < width_hz]


def lasting(lines: tuple[RingLine, ...], t60_s: float = 0.5) -> list[RingLine]:
    return [line for line in lines if line.t60_s > t60_s]


@pytest.mark.parametrize(
    ("t60_s", "level_db"),
    [(0.8, -25.0), (0.8, -35.0), (3.454, -25.0), (3.454, -35.0), (3.454, -45.0), (9.0, -45.0)],
)
def test_a_known_exponential_tail(tones: ModuleType, t60_s: float, level_db: float) -> None:
    note = damped_note(tones)
    (line,) = near(lines_of(note + ringing(note, G6_HZ, level_db=level_db, t60_s=t60_s)), G6_HZ)
    assert line.hz == pytest.approx(G6_HZ, abs=0.1)
    assert abs(line.hz - G6_HZ) < 3.0 * line.hz_se
    assert line.level_db == pytest.approx(level_db, abs=1.0)
    assert line.t60_s == pytest.approx(t60_s, rel=0.05)


def test_a_well_damped_note_leaves_no_line_that_lasts(tones: ModuleType) -> None:
    for midi in (36, 48, 60, 72, 84):
        assert not lasting(lines_of(damped_note(tones, midi=midi)))


def test_a_room_is_no_line_that_lasts(tones: ModuleType) -> None:
    # Reverberation as noise that decays by 60 dB in 0.6 s, 14 dB below the direct sound.
    rng = np.random.default_rng(3)
    t = np.arange(int(0.8 * RATE)) / RATE
    found: list[RingLine] = []
    for midi in (45, 52, 60, 67, 74):
        note = damped_note(tones, midi=midi)
        response = rng.standard_normal(t.size) * 10.0 ** (-3.0 * t / 0.6)
        response *= 0.2 / np.sqrt(np.sum(response**2))
        size = note.size + response.size
        wet = np.fft.irfft(np.fft.rfft(note, size) * np.fft.rfft(response, size), size)
        found += lines_of(note + wet[: note.size])
    # A narrow band of a room fluctuates: a single line may seem to last longer, within its error.
    assert len(found) >= 10
    for line in found:
        assert line.t60_s - 3.0 * line.t60_s_se < 0.6
    assert np.median([line.t60_s for line in found]) < 1.1 * 0.6


def test_two_lines_six_hz_apart_are_told_apart(tones: ModuleType) -> None:
    note = damped_note(tones)
    both = ringing(note, 1568.0, level_db=-30.0, t60_s=3.0) + ringing(
        note, 1574.0, level_db=-36.0, t60_s=3.0, phase=2.0
    )
    found = near(lines_of(note + both), 1571.0, width_hz=6.0)
    assert [round(line.hz) for line in found] == [1568, 1574]
    assert found[0].level_db == pytest.approx(-30.0, abs=1.5)


def test_strings_of_a_unison_that_beat_keep_their_decay(tones: ModuleType) -> None:
    note = damped_note(tones)
    both = ringing(note, 700.0, level_db=-25.0, t60_s=3.0) + ringing(
        note, 701.3, level_db=-27.0, t60_s=3.0, phase=1.0
    )
    found = near(lines_of(note + both), 700.6)
    assert [line.hz for line in found] == pytest.approx([700.0, 701.3], abs=0.1)
    assert [line.level_db for line in found] == pytest.approx([-25.0, -27.0], abs=1.5)
    assert [line.t60_s for line in found] == pytest.approx([3.0, 3.0], rel=0.1)


def test_a_hum_is_no_string(tones: ModuleType) -> None:
    # Constant over the whole run, and stronger than what rings.
    note = damped_note(tones)
    t = np.arange(note.size) / RATE
    for hz in (100.0, 150.0, 1000.0):
        hum = 1e-3 * np.sin(2 * np.pi * hz * t)
        assert not near(lines_of(note + hum), hz, width_hz=8.0)


def test_what_the_noise_hides_is_not_reported(tones: ModuleType) -> None:
    note = damped_note(tones)
    rng = np.random.default_rng(4)
    loud = 3e-2 * rng.standard_normal(note.size)
    sound = note + loud + ringing(note, G6_HZ, level_db=-45.0, t60_s=3.0)
    found = find_lines(
        sound,
        sample_rate_hz=RATE,
        onset_s=0.0,
        release_s=RELEASE_S,
        end_s=3.0,
        noise_density=lambda hz: np.full(hz.shape, 9e-4 / (RATE / 2)),
    )
    assert not lasting(found)


def test_a_thump_at_the_release_leaves_no_line_that_lasts(tones: ModuleType) -> None:
    for seed in range(6):
        note = damped_note(tones)
        thump = tones.knock(rate_hz=RATE, rng=np.random.default_rng(seed))
        tones.put(note, thump, at_s=RELEASE_S + 0.02, rate_hz=RATE, level_db=-30.0)
        assert not lasting(lines_of(note))


def test_a_clock_that_ticks_leaves_no_line_that_lasts(tones: ModuleType) -> None:
    note = damped_note(tones)
    rng = np.random.default_rng(6)
    t = np.arange(int(0.02 * RATE)) / RATE
    for at_s in np.arange(0.3, 2.9, 0.5):
        tick = rng.standard_normal(t.size) * np.exp(-t / 0.002)
        tones.put(note, tick, at_s=float(at_s), rate_hz=RATE, level_db=-45.0)
    assert not lasting(lines_of(note))


def test_a_tick_does_not_hide_a_string(tones: ModuleType) -> None:
    note = damped_note(tones)
    sound = note + ringing(note, G6_HZ, level_db=-35.0, t60_s=3.0)
    t = np.arange(int(0.02 * RATE)) / RATE
    tick = np.random.default_rng(6).standard_normal(t.size) * np.exp(-t / 0.002)
    tones.put(sound, tick, at_s=1.6, rate_hz=RATE, level_db=-45.0)
    (line,) = near(lines_of(sound), G6_HZ)
    assert line.level_db == pytest.approx(-35.0, abs=1.0)


def test_talk_after_the_note_is_no_string(tones: ModuleType) -> None:
    # A spoken vowel half a second after the release; the run's first look ends the strike there,
    # so that it is heard only while it fades in.
    for seed in range(4):
        note = damped_note(tones)
        talk = tones.syllable(rate_hz=RATE, rng=np.random.default_rng(seed), length_s=0.5)
        tones.put(note, talk, at_s=RELEASE_S + 0.5, rate_hz=RATE, level_db=-25.0)
        assert not lasting(lines_of(note, end_s=RELEASE_S + 0.52))


def test_the_next_strike_is_left_out(tones: ModuleType) -> None:
    note = damped_note(tones)
    sound = note + ringing(note, G6_HZ, level_db=-35.0, t60_s=3.0)
    following = tones.string_tone(
        f1_hz=880.0, b=1e-3, rate_hz=RATE, length_s=1.2, t60_s=5.0, rng=np.random.default_rng(1)
    )
    tones.put(sound, following, at_s=1.7, rate_hz=RATE, level_db=-14.0)
    found = lines_of(sound, end_s=1.69)
    assert not near(found, 880.0, width_hz=10.0)
    (line,) = near(found, G6_HZ)
    assert line.level_db == pytest.approx(-35.0, abs=1.0)


def test_too_short_a_tail_says_nothing(tones: ModuleType) -> None:
    note = damped_note(tones)
    sound = note + ringing(note, G6_HZ, level_db=-20.0, t60_s=3.0)
    assert lines_of(sound, end_s=RELEASE_S + 0.2) == ()


def test_gain_changes_nothing(tones: ModuleType) -> None:
    note = damped_note(tones)
    sound = note + ringing(note, G6_HZ, level_db=-35.0, t60_s=3.0)
    (line,) = near(lines_of(sound), G6_HZ)
    louder = find_lines(
        4.0 * sound,
        sample_rate_hz=RATE,
        onset_s=0.0,
        release_s=RELEASE_S,
        end_s=3.0,
        noise_density=lambda hz: 16.0 * silent(hz),
    )
    (again,) = near(louder, G6_HZ)
    assert again.level_db == pytest.approx(line.level_db, abs=1e-6)
    assert again.hz == pytest.approx(line.hz, abs=1e-6)


def test_the_sound_is_not_changed(tones: ModuleType) -> None:
    note = damped_note(tones)
    kept = note.copy()
    lines_of(note)
    assert np.array_equal(note, kept)


def test_peak_level_of_a_sine() -> None:
    t = np.arange(RATE) / RATE
    sine = 0.5 * np.sin(2 * np.pi * 440.0 * t)
    level = peak_level(sine, sample_rate_hz=RATE, onset_s=0.2)
    assert level == pytest.approx(0.125, rel=1e-3)  # half the square of the amplitude


@pytest.mark.parametrize("tail_s", [0.31, 0.9])
def test_a_faint_neighbour_does_not_narrow_the_band_of_a_line(tail_s: float) -> None:
    # A free string, and 24 dB below it what the room leaves of the note, a little sharp of it.
    t = np.arange(int(tail_s * RATE)) / RATE
    part = np.zeros(t.size)
    for hz, share in ((1486.0, 1.0), (1499.5, 10.0**-1.2)):
        part += 0.01 * share * 10.0 ** (-3.0 * t / 2.5) * np.sin(2 * np.pi * hz * t)
    peaks = PeakList(
        hz=np.array([1486.0, 1499.5]),
        amplitude=np.array([0.01, 0.01 * 10.0**-1.2]),
        above_floor_db=np.array([50.0, 26.0]),
    )
    lines = falling_lines(part, peaks, sample_rate_hz=RATE, reference=0.5e-4, noise_density=silent)
    (line,) = near(lines, 1486.0)
    assert line.level_db == pytest.approx(-60.0 * 0.05 / 2.5, abs=1.0)
    assert line.t60_s == pytest.approx(2.5, rel=0.25)
