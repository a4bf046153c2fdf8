"""Decay of each partial after the release, on powers made from formulas."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.measure.leak import DampedPartials, damped_partials, typical_t60_s

NOISE = 1e-9
RELEASE_S = 0.8
T = np.arange(0.0, 2.0, 0.004)


def rows(t60_s: list[float], *, amplitude: list[float] | None = None) -> np.ndarray:
    """Powers of partials that hold until the release and then decay, with noise power added."""
    amplitude = amplitude or [1.0] * len(t60_s)
    since = np.clip(T - RELEASE_S, 0.0, None)
    return np.array(
        [a**2 * 10.0 ** (-6.0 * since / t) + NOISE for a, t in zip(amplitude, t60_s, strict=True)]
    )


def measured(power: np.ndarray, *, end_s: float = 2.0, first_hz: float = 200.0) -> DampedPartials:
    return damped_partials(
        T,
        power,
        noise_power=np.full(power.shape[0], NOISE),
        centres_hz=first_hz * np.arange(1, power.shape[0] + 1),
        release_s=RELEASE_S,
        end_s=end_s,
    )


@pytest.mark.parametrize("t60_s", [0.25, 0.5, 1.0, 3.0])
def test_a_known_decay(t60_s: float) -> None:
    damped = measured(rows([t60_s] * 4))
    # The mean power over 80 ms lies above that of its middle: 5 % at the steepest fall here.
    assert damped.t60_s == pytest.approx([t60_s] * 4, rel=0.06)
    assert typical_t60_s(damped) == pytest.approx(t60_s, rel=0.06)


def test_one_partial_left_by_a_felt_on_a_node_does_not_make_a_leak() -> None:
    damped = measured(rows([0.3, 0.3, 3.0, 0.3, 0.3]))
    assert typical_t60_s(damped) == pytest.approx(0.3, rel=0.05)


def test_a_damper_that_leaks_lets_most_partials_ring() -> None:
    damped = measured(rows([2.0, 2.5, 1.8, 0.5, 0.4]))
    assert typical_t60_s(damped) == pytest.approx(1.8, rel=0.15)


def test_loud_partials_count_for_more() -> None:
    damped = measured(rows([2.0, 0.3, 0.3], amplitude=[1.0, 0.05, 0.05]))
    assert typical_t60_s(damped) == pytest.approx(2.0, rel=0.05)


def test_a_partial_in_the_noise_does_not_count() -> None:
    power = rows([0.3, 3.0])
    power[1] = 20.0 * NOISE
    assert measured(power).t60_s.size == 1


def test_the_noise_makes_an_upper_limit() -> None:
    since = np.clip(T - RELEASE_S, 0.0, None)
    power = np.array([100.0 * NOISE * 10.0 ** (-6.0 * since / 0.2) + NOISE])
    (t60_s,) = measured(power).t60_s
    assert 0.2 < t60_s <= 60.0 * 0.25 / 20.0 + 1e-6  # 20 dB above the noise, fallen at 0.25 s


def test_only_the_six_lowest_take_part() -> None:
    assert measured(rows([0.3] * 6 + [5.0] * 6)).t60_s == pytest.approx([0.3] * 6, rel=0.05)


def test_the_tail_is_the_rooms() -> None:
    # Behind the damper the power falls as the room does: 20 dB down, T60 0.6 s.
    since = np.clip(T - RELEASE_S, 0.0, None)
    row = 10.0 ** (-6.0 * since / 0.08) + 0.01 * 10.0 ** (-6.0 * since / 0.6) * (T > RELEASE_S)
    damped = measured(np.array([row + NOISE] * 5), first_hz=200.0)
    assert damped.tail_t60_s.size == 3  # those above 400 Hz
    assert damped.tail_t60_s == pytest.approx([0.6] * 3, rel=0.1)


def test_without_sound_after_the_release_nothing_is_said() -> None:
    damped = measured(rows([0.3]), end_s=RELEASE_S + 0.1)
    assert damped.t60_s.size == 0
    assert typical_t60_s(damped) is None
