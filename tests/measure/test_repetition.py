"""Blows of fast repetition, found in sounds from formulas and on the simulated piano."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.blow_train import Series, find_series
from toneapp.measure.repetition import measure_repetition, spacing_statistics
from toneapp.results import Flag

RATE = 44100


def played(
    tones: ModuleType,
    *,
    midi: int,
    rate_per_s: float,
    strikes: int = 16,
    missed: tuple[int, ...] = (),
    level_sd_db: float = 1.0,
    scatter: float = 0.04,
    is_damped: bool = True,
    noise_dbfs: float = -65.0,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """A key struck fast, and when it spoke.

    Each blow has fresh phases; the string is partly stopped by the next one; key and damper make a
    knock with each blow and a weaker one between, and a missed blow makes the knock alone.
    """
    rng = np.random.default_rng(seed)
    steps = np.exp(rng.normal(0.0, scatter, strikes)) / rate_per_s
    times = 0.8 + np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    length_s = float(times[-1]) + 1.2
    sound = 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(int(length_s * RATE))
    t60_s = 11.0 * 2.0 ** (-max(midi - 30, 0) / 18.0)
    for i, moment in enumerate(times):
        level_db = -14.0 + rng.normal(0.0, level_sd_db)
        knock = tones.knock(rate_hz=RATE, rng=rng)
        where = {"rate_hz": RATE, "at_s": float(moment)}
        if i in missed:
            tones.put(sound, knock, level_db=-44.0, **where)
            continue
        tone = tones.string_tone(
            f1_hz=tones.equal_tempered_hz(midi), b=tones.young_b(midi), rate_hz=RATE,
            length_s=min(0.8, length_s - float(moment)), t60_s=t60_s, rng=rng,
        )  # fmt: skip
        t = np.arange(tone.size) / RATE
        tone = tone * 10.0 ** (-3.0 * np.clip(t - steps[i], 0.0, None) / 0.3)
        if is_damped:
            span = np.clip(t - 0.5 * steps[i], 0.0, 0.5 * steps[i])
            tone = tone * 10.0 ** (-3.0 * span / 0.3)
        tones.put(sound, tone, level_db=level_db, **where)
        tones.put(sound, knock, level_db=level_db - 18.0, **where)
        tones.put(
            sound, knock, rate_hz=RATE, at_s=float(moment + 0.55 * steps[i]),
            level_db=level_db - 34.0,
        )  # fmt: skip
    return sound, np.delete(times, list(missed))


def only_series(sound: np.ndarray, rate_hz: float = RATE) -> Series:
    (series,) = find_series(sound, sample_rate_hz=rate_hz)
    return series


@pytest.mark.parametrize("midi", [33, 45, 57, 69, 81, 93, 104])
@pytest.mark.parametrize("rate_per_s", [4.0, 7.0, 11.0])
def test_every_blow_is_found(tones: ModuleType, midi: int, rate_per_s: float) -> None:
    sound, times = played(tones, midi=midi, rate_per_s=rate_per_s, is_damped=midi < 90)
    series = only_series(sound)
    assert series.times_s.size == times.size
    assert np.max(np.abs(series.times_s - times)) < 0.012


@pytest.mark.parametrize("rate_per_s", [13.0, 15.0])
def test_the_fastest_blows_are_found(tones: ModuleType, rate_per_s: float) -> None:
    sound, times = played(tones, midi=72, rate_per_s=rate_per_s, strikes=24)
    assert only_series(sound).times_s == pytest.approx(times, abs=0.012)


@pytest.mark.parametrize("missed", [(5,), (4, 11), (7, 8)])
@pytest.mark.parametrize("midi", [40, 60, 84])
def test_missed_blows_are_told(tones: ModuleType, midi: int, missed: tuple[int, ...]) -> None:
    sound, times = played(tones, midi=midi, rate_per_s=7.0, missed=missed)
    series = only_series(sound)
    assert series.times_s == pytest.approx(times, abs=0.012)
    key = measure_repetition(series, midi=midi)
    assert key.missed == len(missed)
    expected = 0.8 + np.array(missed) / 7.0
    assert key.missed_at_s == pytest.approx(expected, abs=0.1)


def test_a_soft_blow_among_loud_ones_is_found(tones: ModuleType) -> None:
    found = total = 0
    for seed in range(6):
        sound, times = played(tones, midi=62, rate_per_s=6.0, level_sd_db=4.0, seed=seed)
        found += only_series(sound).times_s.size
        total += times.size
    assert found >= 0.97 * total


def test_a_recording_that_begins_with_a_blow(tones: ModuleType) -> None:
    sound, times = played(tones, midi=62, rate_per_s=6.0)
    cut = sound[int(0.8 * RATE) :]
    assert only_series(cut).times_s == pytest.approx(times - 0.8, abs=0.02)


def test_soft_playing_as_a_whole_is_no_hindrance(tones: ModuleType) -> None:
    sound, times = played(tones, midi=62, rate_per_s=8.0, noise_dbfs=-90.0)
    assert only_series(0.01 * sound).times_s == pytest.approx(times, abs=0.012)


def test_several_keys_in_one_recording(tones: ModuleType) -> None:
    parts, times = [], []
    offset = 0.0
    for midi, rate_per_s in ((48, 6.0), (60, 8.0), (76, 10.0)):
        sound, moments = played(tones, midi=midi, rate_per_s=rate_per_s, seed=midi)
        parts.append(sound)
        times.append(moments + offset)
        offset += sound.size / RATE
    found = find_series(np.concatenate(parts), sample_rate_hz=RATE)
    assert len(found) == 3
    for series, moments in zip(found, times, strict=True):
        assert series.times_s == pytest.approx(moments, abs=0.012)


def test_levels_follow_the_blows(tones: ModuleType) -> None:
    # 7 blows a second, each second one 6 dB softer, and damped well in between.
    rng = np.random.default_rng(2)
    sound = 1e-5 * rng.standard_normal(int(3.5 * RATE))
    times = 0.5 + np.arange(14) / 7.0
    for i, moment in enumerate(times):
        tone = tones.string_tone(
            f1_hz=440.0, b=1e-3, rate_hz=RATE, length_s=0.13, t60_s=0.2, rng=rng
        )
        tones.put(sound, tone, at_s=float(moment), rate_hz=RATE, level_db=-10.0 - 6.0 * (i % 2))
    levels = only_series(sound).level_db
    assert np.mean(levels[::2]) - np.mean(levels[1::2]) == pytest.approx(6.0, abs=1.5)


def test_a_held_note_is_no_series(tones: ModuleType) -> None:
    rng = np.random.default_rng(3)
    tone = tones.string_tone(f1_hz=220.0, b=3e-4, rate_hz=RATE, length_s=4.0, t60_s=6.0, rng=rng)
    assert (
        find_series(0.2 * tone + 1e-4 * rng.standard_normal(tone.size), sample_rate_hz=RATE) == ()
    )


def test_noise_and_silence_are_no_series() -> None:
    rng = np.random.default_rng(4)
    assert find_series(1e-3 * rng.standard_normal(4 * RATE), sample_rate_hz=RATE) == ()
    assert find_series(np.zeros(4 * RATE), sample_rate_hz=RATE) == ()
    assert find_series(np.zeros(10), sample_rate_hz=RATE) == ()


def test_five_blows_are_too_few(tones: ModuleType) -> None:
    sound, _ = played(tones, midi=60, rate_per_s=7.0, strikes=5)
    assert find_series(sound, sample_rate_hz=RATE) == ()


@pytest.mark.parametrize("rate_hz", [8000, 11025, 96000])
def test_other_sampling_rates(tones: ModuleType, rate_hz: int) -> None:
    from scipy.signal import resample_poly

    sound, times = played(tones, midi=64, rate_per_s=7.0)
    again = resample_poly(sound, rate_hz // 25, RATE // 25)
    assert only_series(np.asarray(again), rate_hz).times_s == pytest.approx(times, abs=0.015)


def test_the_sound_is_not_changed(tones: ModuleType) -> None:
    sound, _ = played(tones, midi=64, rate_per_s=7.0)
    kept = sound.copy()
    find_series(sound, sample_rate_hz=RATE)
    assert np.array_equal(sound, kept)


@pytest.mark.parametrize("kind", ["grand", "upright"])
def test_a_simulated_piano(kind: str) -> None:
    from toneapp.simulate import Room, make_piano, render, repetition_plan

    found = false = total = 0
    counts = []
    for seed, midi, rate_per_s, missed in (
        (1, 45, 6.0, (6,)), (2, 57, 8.0, ()), (3, 66, 12.0, (3, 9)), (4, 79, 9.0, (8,)),
        (5, 100, 7.0, ()),
    ):  # fmt: skip
        rng = np.random.default_rng(seed)
        piano = make_piano(rng, kind=kind)
        plan = repetition_plan(midi, rng=rng, strikes=18, rate_per_s=rate_per_s, missed=missed)
        run = render(piano, plan, Room(t60_s=0.5, snr_db=50.0), rng=rng, sample_rate_hz=RATE)
        series = only_series(run.audio.astype(np.float64))
        times = np.array([blow.onset_s for blow in plan])
        near = np.min(np.abs(series.times_s[:, None] - times[None, :]), axis=1) < 0.02
        found += int(np.count_nonzero(near))
        false += int(np.count_nonzero(~near))
        total += times.size
        counts.append(measure_repetition(series, midi=midi).missed == len(missed))
    assert found >= 0.97 * total
    assert false == 0
    assert sum(counts) >= 4


# Statistics of a train


def test_an_even_train() -> None:
    stats = spacing_statistics(np.arange(12) * 0.125)
    assert stats.strikes_per_s == pytest.approx(8.0)
    assert stats.spacing_cv == pytest.approx(0.0, abs=1e-12)
    assert stats.missed == 0


def test_a_gap_is_a_missed_blow_and_not_unevenness() -> None:
    times = np.delete(np.arange(16) * 0.15, [5, 10, 11])
    stats = spacing_statistics(times)
    assert stats.missed == 3
    assert stats.missed_after == (4, 8, 8)
    assert stats.spacing_cv == pytest.approx(0.0, abs=1e-9)
    assert stats.usual_spacing_s == pytest.approx(0.15)
    assert stats.strikes_per_s == pytest.approx(12 / 2.25)


def test_a_slow_blow_is_unevenness_and_not_missed() -> None:
    times = np.cumsum([0.0, *[0.14] * 5, 0.2, *[0.14] * 5])
    stats = spacing_statistics(times)
    assert stats.missed == 0
    assert stats.spacing_cv is not None
    assert stats.spacing_cv > 0.1


def test_a_hand_that_tires_misses_nothing() -> None:
    times = np.cumsum(0.1 * 1.04 ** np.arange(20))
    assert spacing_statistics(times).missed == 0


@given(
    st.lists(st.floats(0.09, 0.11), min_size=6, max_size=30), st.floats(0.3, 3.0), st.floats(-5, 5)
)
def test_the_unit_of_time_and_its_origin_do_not_matter(
    spacing: list[float], factor: float, shift: float
) -> None:
    times = np.cumsum([0.0, *spacing])
    one, two = spacing_statistics(times), spacing_statistics(times * factor + shift)
    assert two.missed == one.missed == 0
    assert one.spacing_cv is not None
    assert two.spacing_cv == pytest.approx(one.spacing_cv, rel=1e-6, abs=1e-9)
    assert two.strikes_per_s == pytest.approx(one.strikes_per_s / factor, rel=1e-9)


@pytest.mark.parametrize("times", [[0.0, 0.1], [0.0, 0.1, 0.1], [0.0, 0.2, 0.1]])
def test_what_is_no_train_is_refused(times: list[float]) -> None:
    with pytest.raises(ValueError, match="three or more moments"):
        spacing_statistics(np.array(times))


def test_the_result_of_a_key() -> None:
    times = np.delete(np.arange(13) * 0.125, 6)
    series = Series(times_s=times, level_db=np.linspace(-20.0, -9.0, 12), clearness=12.0)
    key = measure_repetition(series, midi=69, source="A4.wav", flags=(Flag.LABEL_GIVEN,))
    assert (key.midi, key.note, key.source, key.blows) == (69, "A4", "A4.wav", 12)
    assert (key.first_s, key.last_s) == (0.0, 1.5)
    assert key.strikes_per_s == pytest.approx(11 / 1.5)
    assert key.missed_at_s == pytest.approx([0.75])
    assert key.flags == (Flag.LABEL_GIVEN,)
    assert measure_repetition(series, midi=None).note == ""
