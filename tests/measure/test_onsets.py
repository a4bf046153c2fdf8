"""Onsets of tones, knocks and second blows written down as formulas."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toneapp.measure.onsets import band_levels, find_candidates, noise_floor, place_onset

RATE = 24000


def _candidates(x: np.ndarray, rate: float = RATE) -> tuple[np.ndarray, np.ndarray]:
    levels = band_levels(x, sample_rate_hz=rate)
    return find_candidates(levels, floor=noise_floor(levels))


def _placed(x: np.ndarray, rate: float = RATE, least_db: float = 25.0) -> np.ndarray:
    times, rises = _candidates(x, rate)
    return np.array(
        [
            place_onset(x, sample_rate_hz=rate, near_s=float(t), earliest_s=float(t) - 0.045)
            for t in times[rises > least_db]
        ]
    )


def test_bands_add_up_to_the_mean_square() -> None:
    t = np.arange(2 * RATE) / RATE
    x = 0.2 * np.cos(2 * np.pi * 1000 * t) + 0.1 * np.cos(2 * np.pi * 3000 * t)
    levels = band_levels(x, sample_rate_hz=RATE)
    inside = (levels.times_s > 0.1) & (levels.times_s < 1.9)
    # 0.2^2/2 + 0.1^2/2; a Hann window loses nothing on the whole, an edge between bands neither.
    assert levels.power[:, inside].sum(axis=0) == pytest.approx(0.025, rel=0.01)
    loudest = levels.centres_hz[np.argmax(levels.power[:, inside].mean(axis=1))]
    assert 1000 / 2 ** (1 / 5) < loudest < 1000 * 2 ** (1 / 5)


def test_frames_are_timed_at_their_middle() -> None:
    x = np.zeros(RATE)
    x[RATE // 2] = 1.0
    levels = band_levels(x, sample_rate_hz=RATE)
    power = levels.power.sum(axis=0)
    assert float((levels.times_s * power).sum() / power.sum()) == pytest.approx(0.5, abs=0.002)


def test_the_floor_is_the_noise_between_the_notes(tones: ModuleType) -> None:
    rng = np.random.default_rng(2)
    quiet = 1e-3 * rng.standard_normal(6 * RATE)
    with_notes = quiet.copy()
    for at in (1.0, 2.5, 4.0):
        tone = tones.string_tone(
            f1_hz=440.0, b=6e-4, rate_hz=RATE, length_s=0.8, t60_s=3.0, rng=rng
        )
        tones.put(with_notes, tone, at_s=at, rate_hz=RATE, level_db=-10.0)
    alone, among = (
        noise_floor(band_levels(x, sample_rate_hz=RATE), quantile=0.1) for x in (quiet, with_notes)
    )
    difference_db = 10 * np.log10(among / alone)
    # The notes take up 40 % of the time, so the quantile moves up in the noise's own spread.
    assert np.all(difference_db > -0.5)
    assert np.all(difference_db < 2.5)


def test_digital_silence_is_not_taken_for_the_floor() -> None:
    rng = np.random.default_rng(2)
    x = np.concatenate([np.zeros(3 * RATE), 1e-3 * rng.standard_normal(3 * RATE)])
    floor = noise_floor(band_levels(x, sample_rate_hz=RATE))
    # White noise of 1e-6 over 12 kHz; bands about 1 kHz are some 230 Hz wide.
    assert 10 * np.log10(np.median(floor)) > -95.0


@pytest.mark.parametrize("level_db", [-6.0, -26.0, -46.0])
def test_every_blow_of_a_run_is_found_within_5_ms(tones: ModuleType, level_db: float) -> None:
    # 40 dB of dynamics, over a noise 24 dB below the softest note's peak.
    rng = np.random.default_rng(4)
    midis = list(range(21, 109, 6))
    blows = [
        tones.Struck(midi=m, onset_s=0.5 + 0.9 * i, hold_s=0.6, level_db=level_db)
        for i, m in enumerate(midis)
    ]
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng, noise_dbfs=-72.0)
    placed = _placed(x, least_db=0.0)
    errors_s = []
    for blow in blows:
        near = placed[np.abs(placed - blow.onset_s) < 0.06]
        assert near.size >= 1, blow
        errors_s.append(float(near[np.argmin(np.abs(near - blow.onset_s))]) - blow.onset_s)
    # A low note rises out of the noise later than its blow: half a period of A0 is 18 ms.
    assert np.median(np.abs(errors_s)) < 0.003
    assert np.abs(errors_s[3:]).max() < 0.010
    assert np.abs(errors_s[:3]).max() < 0.025


def test_a_second_blow_within_a_ringing_note_is_found(tones: ModuleType) -> None:
    rng = np.random.default_rng(5)
    for midi in (33, 48, 60, 76):
        x = 1e-4 * rng.standard_normal(3 * RATE)
        for at, level in ((0.5, -10.0), (1.3, -16.0)):
            tone = tones.string_tone(
                f1_hz=tones.equal_tempered_hz(midi), b=tones.young_b(midi), rate_hz=RATE,
                length_s=1.6, t60_s=6.0, rng=rng,
            )  # fmt: skip
            tones.put(x, tone, at_s=at, rate_hz=RATE, level_db=level)
            # The knock of key and hammer; without it the partials alone may even fall.
            knock = tones.knock(rate_hz=RATE, rng=rng)
            tones.put(x, knock, at_s=at, rate_hz=RATE, level_db=level - 20.0)
        placed = _placed(x)
        assert np.abs(placed - 0.5).min() < 0.008
        assert np.abs(placed - 1.3).min() < 0.012, midi


def test_a_steady_beating_tone_has_one_onset(tones: ModuleType) -> None:
    # Two strings 1.3 Hz apart, 9 dB different: 5.5 dB from crest to trough, slowly.
    t = np.arange(6 * RATE) / RATE
    rng = np.random.default_rng(3)
    tone = np.exp(-t / 3) * (np.cos(2 * np.pi * 440 * t) + 0.35 * np.cos(2 * np.pi * 441.3 * t))
    x = 1e-4 * rng.standard_normal(6 * RATE)
    tones.put(x, 0.2 * tone, at_s=0.5, rate_hz=RATE, level_db=0.0)
    times, rises = _candidates(x)
    # The end of the recording cuts the tone off, which is a click of its own.
    inside = times < 5.9
    assert np.count_nonzero(rises[inside] > 10.0) == 1
    assert times[inside][np.argmax(rises[inside])] == pytest.approx(0.5, abs=0.03)


@settings(max_examples=10)
@given(delay_s=st.floats(0.0, 0.5), gain_db=st.floats(-20.0, 10.0))
def test_a_delay_moves_onsets_and_gain_does_not(
    delay_s: float, gain_db: float, tones: ModuleType
) -> None:
    rng = np.random.default_rng(6)
    blows = tones.evenly_spaced([45, 60, 72], first_s=0.5, gap_s=0.6, hold_s=0.4)
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng, length_s=3.0)
    shift = int(delay_s * RATE)
    lead = 10 ** (-72 / 20) * np.random.default_rng(7).standard_normal(shift)
    moved = 10 ** (gain_db / 20) * np.concatenate([lead, x])
    plain, later = _placed(x), _placed(moved) - shift / RATE
    assert plain.size == later.size
    assert later == pytest.approx(plain, abs=0.002)


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 96000])
def test_any_rate_will_do(tones: ModuleType, rate: int) -> None:
    rng = np.random.default_rng(8)
    blows = tones.evenly_spaced([40, 64, 79], first_s=0.4, gap_s=0.7, hold_s=0.4)
    x = tones.struck_run(blows, rate_hz=rate, rng=rng)
    placed = _placed(x, rate)
    for blow in blows:
        assert np.abs(placed - blow.onset_s).min() < 0.008


def test_noise_and_silence_hold_no_sudden_rise() -> None:
    rng = np.random.default_rng(9)
    _, rises = _candidates(1e-3 * rng.standard_normal(10 * RATE))
    assert np.count_nonzero(rises > 25.0) <= 1  # the noise itself begins with the file
    times, _ = _candidates(np.zeros(2 * RATE))
    assert times.size == 0
    times, _ = _candidates(np.zeros(10))
    assert times.size == 0


def test_an_onset_is_placed_where_a_tone_breaks_into_another() -> None:
    rng = np.random.default_rng(10)
    t = np.arange(RATE) / RATE
    x = 0.3 * np.cos(2 * np.pi * 220 * t) + 1e-5 * rng.standard_normal(t.size)
    fresh = t > 0.5
    x[fresh] += 0.05 * np.sin(2 * np.pi * 1500 * (t[fresh] - 0.5))
    # 15 dB below what rings already, and yet to the millisecond.
    found = place_onset(x, sample_rate_hz=RATE, near_s=0.515)
    assert found == pytest.approx(0.5, abs=0.001)


@pytest.mark.parametrize("early_s", [0.005, 0.013, 0.025])
@pytest.mark.parametrize("midi", [45, 76, 100])
def test_a_thump_just_before_a_blow_is_not_its_onset(
    midi: int, early_s: float, tones: ModuleType
) -> None:
    # A key is let go some milliseconds before the next is struck, 40 dB louder.
    rng = np.random.default_rng(midi)
    x = 1e-5 * rng.standard_normal(RATE)
    tones.put(
        x, tones.knock(rate_hz=RATE, rng=rng), at_s=0.5 - early_s, rate_hz=RATE, level_db=-50.0
    )
    tone = tones.string_tone(
        f1_hz=tones.equal_tempered_hz(midi), b=tones.young_b(midi), rate_hz=RATE,
        length_s=0.4, t60_s=2.0, rng=rng,
    )  # fmt: skip
    tones.put(x, tone, at_s=0.5, rate_hz=RATE, level_db=-10.0)
    found = place_onset(x, sample_rate_hz=RATE, near_s=0.5 - 0.5 * early_s)
    assert found == pytest.approx(0.5, abs=0.003)


def test_where_there_is_too_little_sound_the_guess_stands() -> None:
    assert place_onset(np.zeros(10), sample_rate_hz=RATE, near_s=0.0) == 0.0
    assert place_onset(np.zeros(RATE), sample_rate_hz=RATE, near_s=0.5) == 0.5
