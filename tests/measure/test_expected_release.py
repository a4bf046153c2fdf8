"""Releases that show no bend: by a step, and by the hold of the neighbours."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.expected_release import confirm_release, expected_holds, find_drop

NOISE = 1e-8
STEP_S = 0.004


def note(
    rng: np.random.Generator,
    *,
    release_s: float | None,
    drop_db: float,
    bands: int = 6,
    t60_s: float = 6.0,
    end_s: float = 2.5,
    beat: float = 0.3,
    extra_slope_db_per_s: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Powers that beat and decay, and fall by a step within 30 ms at the release."""
    t = np.arange(0.0, end_s, STEP_S)
    rows = []
    for band in range(bands):
        level = -60.0 * t / t60_s - 3.0 * band
        level += 10.0 * np.log10(
            1.0 + beat * np.cos(2 * np.pi * rng.uniform(0.3, 1.5) * t + rng.uniform(0, 6.3))
        )
        if release_s is not None:
            level -= drop_db * np.clip((t - release_s) / 0.03, 0.0, 1.0)
            level -= extra_slope_db_per_s * np.clip(t - release_s, 0.0, None)
        noise = NOISE * rng.exponential(1.0, t.size)
        rows.append(10.0 ** (level / 10.0) + noise)
    return t, np.array(rows)


def dropped(t: np.ndarray, power: np.ndarray) -> float | None:
    return find_drop(
        t,
        power,
        noise_power=np.full(power.shape[0], NOISE),
        t_start_s=0.05,
        t_end_s=float(t[-1]),
    )


@pytest.mark.parametrize("bands", [2, 4, 8])
@pytest.mark.parametrize("drop_db", [12.0, 18.0])
def test_a_step_of_all_partials_is_found(bands: int, drop_db: float) -> None:
    errors = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        release_s = float(rng.uniform(0.4, 1.4))
        found = dropped(*note(rng, release_s=release_s, drop_db=drop_db, bands=bands))
        assert found is not None
        errors.append(abs(found - release_s))
    assert max(errors) < 0.06


def test_beats_are_no_release() -> None:
    for seed in range(12):
        rng = np.random.default_rng(100 + seed)
        assert dropped(*note(rng, release_s=None, drop_db=0.0, beat=0.6)) is None


def test_a_single_partial_that_falls_is_no_release() -> None:
    rng = np.random.default_rng(3)
    t, power = note(rng, release_s=None, drop_db=0.0)
    _, other = note(rng, release_s=1.0, drop_db=20.0)
    power[2] = other[2]
    assert dropped(t, power) is None


def test_partials_that_die_one_after_another_make_no_step() -> None:
    # Six of eight have sunk into the noise at 0.85 s; what takes the last two at 0.95 s did not
    # lie on all of them.
    t = np.arange(0.0, 2.5, STEP_S)
    floor = 10.0**-4.5
    rows = []
    for band in range(8):
        last_s = 0.95 if band < 2 else 0.78 + 0.01 * band
        level = -10.0 * t - (0.0 if band < 2 else 20.0)
        level -= 40.0 * np.clip((t - last_s) / (0.03 if band < 2 else 0.3), 0.0, 1.0)
        rows.append(10.0 ** (level / 10.0) + floor)
    noise = np.full(8, floor)
    power = np.array(rows)
    whole = find_drop(t, power[:2], noise_power=noise[:2], t_start_s=0.05, t_end_s=2.4)
    assert whole == pytest.approx(0.95, abs=0.06)
    assert find_drop(t, power, noise_power=noise, t_start_s=0.05, t_end_s=2.4) is None


def test_a_note_that_falls_ever_faster_makes_no_step() -> None:
    # A treble note at 70 dB/s that takes 0.1 s to come to 130 dB/s: a bend, not a step.
    t = np.arange(0.0, 1.2, STEP_S)
    level = -70.0 * t - 60.0 * np.clip(t - 0.4, 0.0, None)
    power = np.tile(10.0 ** (level / 10.0), (4, 1)) + NOISE
    assert dropped(t, power) is None


def test_too_short_a_sound_has_no_step() -> None:
    rng = np.random.default_rng(4)
    assert dropped(*note(rng, release_s=None, drop_db=0.0, end_s=0.2)) is None


# The hold of the neighbours


def test_the_hold_is_expected_where_the_neighbours_agree() -> None:
    holds = [0.5, 0.52, None, 0.48, 0.5, 0.51, 0.49]
    expected = expected_holds(holds, [True] * 7)
    assert expected[2] == pytest.approx(0.5, abs=0.011)


def test_no_hold_is_expected_where_they_do_not() -> None:
    holds = [0.2, 1.4, None, 0.7, 2.2, 0.4, 1.0]
    assert expected_holds(holds, [True] * 7)[2] is None


def test_no_hold_is_expected_from_few_or_undamped_neighbours() -> None:
    assert expected_holds([0.5, None, 0.5], [True] * 3)[1] is None
    holds: list[float | None] = [0.5] * 6 + [None]
    assert expected_holds(holds, [False] * 6 + [True])[6] is None


def test_most_neighbours_must_show_a_release() -> None:
    holds: list[float | None] = [0.5] * 4 + [None] * 9
    assert expected_holds(holds, [True] * 13)[6] is None


# Looking where it is expected


def confirmed(t: np.ndarray, power: np.ndarray, expected_s: float) -> float | None:
    return confirm_release(
        t,
        power,
        noise_power=np.full(power.shape[0], NOISE),
        expected_s=expected_s,
        end_s=float(t[-1]),
    )


@pytest.mark.parametrize("slope", [60.0, 150.0])
def test_a_bend_near_the_expected_moment_is_confirmed(slope: float) -> None:
    for seed in range(5):
        rng = np.random.default_rng(seed)
        sound = note(
            rng, release_s=0.83, drop_db=0.0, extra_slope_db_per_s=slope, t60_s=5.0, beat=0.2
        )
        found = confirmed(*sound, 0.8)
        assert found == pytest.approx(0.83, abs=0.06)


def test_a_note_that_goes_on_is_not_confirmed() -> None:
    for seed in range(8):
        rng = np.random.default_rng(50 + seed)
        assert confirmed(*note(rng, release_s=None, drop_db=0.0, beat=0.3), 0.8) is None


def test_a_release_far_from_the_expected_moment_is_not_taken() -> None:
    rng = np.random.default_rng(9)
    sound = note(rng, release_s=1.6, drop_db=25.0, extra_slope_db_per_s=100.0)
    assert confirmed(*sound, 0.6) is None
