import numpy as np
import pytest

from toneapp.evenness import even_brightness, even_levels
from toneapp.evenness.levels import DEFAULT_TOUCH_SCATTER_DB


def columns(run):
    seen = {}
    rank = []
    for strike in run.strikes:
        rank.append(seen.get(strike.midi, 0))
        seen[strike.midi] = rank[-1] + 1
    return (
        np.array([s.midi for s in run.strikes]),
        np.array([s.level_db for s in run.strikes]),
        np.array(rank),
        np.array([s.brightness for s in run.strikes]),
        np.array([s.brightness_se for s in run.strikes]),
    )


def corrected(run):
    midi, level, rank, bright, se = columns(run)
    levels = even_levels(midi, level, rank)
    return levels, even_brightness(levels, midi, level, bright, se)


@pytest.mark.parametrize("touch_sd_db", [0.7, 1.5, 3.0])
def test_touch_scatter_is_found_behind_three_dynamics(make_run, touch_sd_db):
    run = make_run(np.random.default_rng(0), touch_sd_db=touch_sd_db)
    levels, _ = corrected(run)
    assert levels.scatter_is_measured
    assert levels.touch_scatter_db == pytest.approx(touch_sd_db, rel=0.15)


def test_error_of_a_note_falls_with_the_root_of_its_blows(make_run):
    three, _ = corrected(make_run(np.random.default_rng(1), layers_db=(0.0,) * 3))
    twelve, _ = corrected(make_run(np.random.default_rng(1), layers_db=(0.0,) * 12))
    assert np.median(three.se_db) / np.median(twelve.se_db) == pytest.approx(2.0, rel=0.12)


@pytest.mark.parametrize("own_level_sd_db", [0.0, 1.0, 3.0])
def test_hand_answers_for_its_share_of_the_level(make_run, own_level_sd_db):
    shares = []
    for i in range(10):
        run = make_run(np.random.default_rng(i), own_level_sd_db=own_level_sd_db)
        levels, _ = corrected(run)
        shares.append(np.median(levels.hand_share))
    hand2 = 1.5**2 / 3  # 1.5 dB, three blows
    truth = hand2 / (hand2 + own_level_sd_db**2)
    # Told from the spread over 88 notes, itself known to about a tenth.
    assert np.mean(shares) == pytest.approx(truth, abs=0.15)


def test_slopes_of_the_notes_come_back(make_run):
    run = make_run(np.random.default_rng(3))
    _, even = corrected(run)
    np.testing.assert_allclose(even.slopes.slope, run.slope, atol=0.012)
    assert np.all(even.slopes.own_share > 0.5)
    assert np.corrcoef(even.slopes.slope, run.slope)[0, 1] > 0.98


def test_line_scatter_of_the_real_grand_comes_back(make_run):
    _, even = corrected(make_run(np.random.default_rng(4), line_sd_oct=0.026))
    assert even.line_scatter_oct == pytest.approx(0.026, rel=0.15)


def test_one_slope_smooth_over_the_keyboard_serves_notes_with_one_blow(make_run):
    # Three blows on most notes, one on every fourth: those lean on their neighbours' slopes.
    run = make_run(np.random.default_rng(5), healthy_sd_oct=0.0)
    run.strikes[:] = [s for s in run.strikes if s.midi % 4 or s.onset_s < 2.5 * 88]
    _, even = corrected(run)
    single = even.strikes == 1
    assert single.sum() == 22
    assert np.all(even.slopes.own_share[single] == 0.0)
    assert np.median(even.se[single]) > 1.5 * np.median(even.se[~single])
    ratio = even.slopes.slope[single] / run.slope[single]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.15)


def test_one_blow_per_note_rests_on_default_and_run_and_knows_less(make_run):
    rng = np.random.default_rng(6)
    levels, even = corrected(make_run(rng, layers_db=(0.0,)))
    assert not levels.scatter_is_measured
    _, repeated = corrected(make_run(np.random.default_rng(6)))
    assert np.median(even.se) > 1.1 * np.median(repeated.se)


def test_scatter_of_single_blows_is_no_smaller_than_the_run_shows(make_run):
    wide, _ = corrected(make_run(np.random.default_rng(7), layers_db=(0.0,), touch_sd_db=4.0))
    assert wide.touch_scatter_db > 2.5
    even, _ = corrected(make_run(np.random.default_rng(7), layers_db=(0.0,), touch_sd_db=0.2))
    assert 0.5 < even.touch_scatter_db < DEFAULT_TOUCH_SCATTER_DB


def test_single_blows_are_tested_with_the_heavy_tails_of_a_hand(make_run):
    levels, even = corrected(make_run(np.random.default_rng(7), layers_db=(0.0,)))
    assert set(levels.df) == set(even.df) == {10.0}
    repeated, _ = corrected(make_run(np.random.default_rng(7)))
    assert repeated.df.min() > 20.0


def test_a_louder_recording_moves_levels_and_nothing_else(make_run):
    run = make_run(np.random.default_rng(8))
    midi, level, rank, bright, se = columns(run)
    first = even_levels(midi, level, rank)
    second = even_levels(midi, level + 7.0, rank)
    np.testing.assert_allclose(second.level_db, first.level_db + 7.0, atol=1e-9)
    np.testing.assert_allclose(
        even_brightness(second, midi, level + 7.0, bright, se).brightness,
        even_brightness(first, midi, level, bright, se).brightness,
        atol=1e-9,
    )


def test_one_wild_blow_does_not_carry_its_note(make_run):
    run = make_run(np.random.default_rng(9), healthy_sd_oct=0.0, layers_db=(0.0,) * 4)
    midi, level, rank, bright, se = columns(run)
    _, clean = corrected(run)
    wild = bright.copy()
    at = np.flatnonzero(midi == 60)[1]
    wild[at] += 0.8
    bent = even_brightness(even_levels(midi, level, rank), midi, level, wild, se)
    i = int(np.flatnonzero(bent.midi == 60)[0])
    # A plain mean would move by 0.2.
    assert abs(bent.brightness[i] - clean.brightness[i]) < 0.1


def test_a_blow_that_noise_hides_weighs_less_and_spoils_no_other(make_run):
    run = make_run(np.random.default_rng(9), healthy_sd_oct=0.0, touch_sd_db=0.5)
    midi, level, rank, bright, se = columns(run)
    levels = even_levels(midi, level, rank)
    clean = even_brightness(levels, midi, level, bright, se)
    soft = level < np.quantile(level, 1 / 3)
    noise = np.random.default_rng(1).normal(0.0, 0.3, soft.sum())
    hidden, doubt = bright.copy(), se.copy()
    hidden[soft] += noise
    doubt[soft] = 0.3
    told = even_brightness(levels, midi, level, hidden, doubt)
    off = told.brightness - clean.brightness
    # A plain mean of three blows would move by 0.1 and claim an error of 0.17.
    assert np.std(off) < 0.03
    assert np.median(told.se) < 0.05
    blind = even_brightness(levels, midi, level, hidden, se)
    assert np.std(blind.brightness - clean.brightness) > 2.0 * np.std(off)


@pytest.mark.parametrize("notes", [1, 2, 6])
def test_few_notes_are_pooled_without_a_trend(make_run, notes):
    run = make_run(np.random.default_rng(10), midi=np.arange(60, 60 + notes))
    levels, even = corrected(run)
    assert levels.trend is None
    assert np.all(np.isfinite(even.brightness))
    assert np.all(even.se > 0.0)


def test_wrong_input_is_refused():
    with pytest.raises(ValueError, match="no strike"):
        even_levels(np.zeros(0, int), np.zeros(0), np.zeros(0, int))
    with pytest.raises(ValueError, match="finite"):
        even_levels(np.array([60]), np.array([np.nan]), np.array([0]))
    levels = even_levels(np.array([60]), np.array([-20.0]), np.array([0]))
    one = np.array([1.0])
    with pytest.raises(ValueError, match="needs a level"):
        even_brightness(levels, np.array([61]), one, one, one)
    with pytest.raises(ValueError, match="finite"):
        even_brightness(levels, np.array([60]), one, np.array([np.inf]), one)
