import numpy as np
import pytest

from toneapp.evenness import (
    common_shift,
    estimate_notes,
    evenness_gain,
    note_changes,
    paired_difference,
    same_blow,
    welch_difference,
)

NOTES = range(21, 109)


def blows(rng, means, sd, count):
    return {midi: list(rng.normal(means[i], sd, count)) for i, midi in enumerate(NOTES)}


def compared(rng, change, *, sd=0.05, count=3, audible=0.0):
    course = 3.0 - 0.02 * np.arange(88)
    before = estimate_notes(blows(rng, course, sd, count))
    after = estimate_notes(blows(rng, course + change, sd, count))
    return note_changes(before, after, audible=audible)


@pytest.mark.parametrize("count", [2, 3, 5])
def test_an_untouched_instrument_recorded_twice_shows_no_change(count):
    rng = np.random.default_rng(count)
    raised, outside = [], []
    for _ in range(60):
        changes = compared(rng, np.zeros(88), count=count)
        raised.append(changes.is_changed.sum())
        outside.append(np.mean((changes.low > 0) | (changes.high < 0)))
    assert np.mean(np.array(raised) > 0) < 0.12
    # Each note's own interval misses zero in 5 % of cases.
    assert np.mean(outside) == pytest.approx(0.05, abs=0.012)


def test_worked_notes_are_found():
    rng = np.random.default_rng(1)
    change = np.zeros(88)
    change[[10, 30, 31, 50, 70]] = [-0.3, 0.3, 0.25, -0.4, -0.3]
    changes = compared(rng, change, audible=0.07)
    assert changes.midi[changes.is_changed].tolist() == [31, 51, 52, 71, 91]
    covered = (changes.low <= change) & (change <= changes.high)
    assert covered.mean() > 0.88


def test_what_is_not_audible_is_no_change():
    rng = np.random.default_rng(2)
    changes = compared(rng, np.full(88, 0.05), sd=0.002, audible=0.07)
    assert not changes.is_changed.any()


def test_only_notes_of_both_runs_are_compared():
    before = estimate_notes({60: [1.0, 1.1], 62: [1.0, 1.2]})
    after = estimate_notes({62: [2.0, 2.1], 64: [1.0, 1.3]})
    changes = note_changes(before, after, audible=0.0)
    assert changes.midi.tolist() == [62]
    assert changes.difference[0] == pytest.approx(0.95)


def test_without_repeats_nothing_tells_the_scatter():
    assert estimate_notes({60: [1.0], 61: [2.0]}) is None


def test_a_shift_of_the_gain_is_told_from_the_notes_worked_on():
    rng = np.random.default_rng(3)
    change = np.full(88, 2.5)
    change[:12] = -4.0
    shift = common_shift(compared(rng, change, sd=0.3))
    assert shift.value == pytest.approx(2.5, abs=0.15)
    assert shift.low < 2.5 < shift.high


def test_a_few_notes_tell_no_shift():
    before = estimate_notes({m: [1.0, 1.1] for m in range(60, 66)})
    assert common_shift(note_changes(before, before, audible=0.0)) is None


def test_equal_values_differ_by_nothing_for_certain():
    same = np.array([1.0, 1.0, 1.0])
    assert welch_difference(same, same).p_value == 1.0
    assert paired_difference(same, same + 0.5).p_value == 0.0
    assert paired_difference(same[:1], same[:1]) is None
    assert welch_difference(same, same[:1]) is None


def test_brightness_is_brought_to_the_same_blow():
    slope = np.array([0.1, 0.02])
    found = same_blow(
        np.array([2.0, 0.5]),
        slope,
        from_level_db=np.array([-20.0, -20.0]),
        to_level_db=np.array([-16.0, -26.0]),
    )
    assert found.tolist() == pytest.approx([2.4, 0.38])


@pytest.mark.parametrize(("before_sd", "after_sd"), [(0.10, 0.05), (0.08, 0.08)])
def test_interval_of_the_gain_covers_the_truth(before_sd, after_sd):
    rng = np.random.default_rng(4)
    se = np.full(88, 0.03)
    covered, widths = [], []
    for _ in range(40):
        hammer = rng.normal(0, 1, 88)
        before = before_sd * hammer + rng.normal(0, se)
        after = after_sd * (0.6 * hammer + 0.8 * rng.normal(0, 1, 88)) + rng.normal(0, se)
        gain = evenness_gain(before, se, after, se, rng=rng)
        covered.append(gain.low <= before_sd - after_sd <= gain.high)
        widths.append(gain.high - gain.low)
    # 95 % nominal; 40 runs scatter by 3.4 %.
    assert np.mean(covered) >= 0.87
    assert np.mean(widths) < 0.06


def test_a_gain_is_positive_and_the_loss_its_mirror():
    rng = np.random.default_rng(5)
    se = np.full(88, 0.02)
    rough, fine = rng.normal(0, 0.2, 88), rng.normal(0, 0.05, 88)
    gain = evenness_gain(rough, se, fine, se, rng=np.random.default_rng(0))
    loss = evenness_gain(fine, se, rough, se, rng=np.random.default_rng(0))
    assert gain.low > 0
    assert (loss.gain, loss.low, loss.high) == pytest.approx((-gain.gain, -gain.high, -gain.low))


def test_gain_needs_the_same_notes_and_some_of_them():
    rng = np.random.default_rng(6)
    with pytest.raises(ValueError, match="same notes"):
        evenness_gain(np.zeros(8), np.zeros(8), np.zeros(9), np.zeros(8), rng=rng)
    assert evenness_gain(np.ones(6), np.ones(6), np.ones(6), np.ones(6), rng=rng) is None
