"""Known strings that are looked for where no line of their own was found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from ringon_kit import after, hz_of, judged, leaking, measured, whole_run

from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.ringing_known import keep_rest
from toneapp.results import Cause, EchoString
from toneapp.signal.bands import transform_strike

RATE = 16000
REFERENCE = 0.02
T = np.arange(int(1.2 * RATE)) / RATE


def with_sound(item: MeasuredStrike, *waves: tuple[float, float, float]) -> MeasuredStrike:
    """Put a sound after the release of a strike: Hz, dB 0.1 s after the release, T60 in s."""
    sound = 1e-6 * np.random.default_rng(3).standard_normal(T.size)
    for hz, level_db, t60_s in waves:
        size = np.sqrt(2.0 * REFERENCE) * 10.0 ** (level_db / 20.0)
        sound += size * 10.0 ** (-3.0 * (T - 0.05) / t60_s) * np.sin(2 * np.pi * hz * T)
    rest = keep_rest(
        transform_strike(sound, sample_rate_hz=RATE),
        reference=REFERENCE,
        noise_density=lambda hz: np.full(hz.shape, 1e-12 / (RATE / 2)),
    )
    return replace(item, rest=rest)


def heard(run: list[MeasuredStrike], key: int) -> list[EchoString]:
    results, _ = judged(run)
    return [echo for echo in results[key].ringing if echo.cause is not Cause.OWN_DAMPER]


def test_a_leaking_string_is_found_beneath_a_louder_line() -> None:
    place = hz_of(50, 2)
    beneath = with_sound(measured(62), (place + 1.3, -15.0, 0.9), (place, -41.0, 2.5))
    (echo,) = heard(whole_run(k50=leaking(50), k62=beneath), 62)
    assert (echo.midi, echo.partial, echo.cause) == (50, 2, Cause.OTHER_DAMPER)
    assert abs(echo.level_db + 41.0) < 2.0
    # The same sound where no string is known to leak, and another sound where one is.
    assert heard(whole_run(k62=beneath), 62) == []
    other = with_sound(measured(62), (place + 1.3, -15.0, 0.9))
    assert heard(whole_run(k50=leaking(50), k62=other), 62) == []


def test_a_free_string_that_two_strikes_name_is_found_after_a_third() -> None:
    free = hz_of(91)
    third = with_sound(measured(67), (free + 2.0, -20.0, 0.9), (free, -44.0, 2.4))
    (echo,) = heard(whole_run(**after((60, 72), free, -35.0), k67=third), 67)
    assert (echo.midi, echo.partial, echo.cause) == (91, 1, Cause.UNDAMPED)
    assert heard(whole_run(**after((60,), free, -35.0), k67=third), 67) == []


def test_a_partial_where_a_free_string_rings_tells_of_no_leak() -> None:
    # Partial 2 of F5 lies 1 cent beside the first of F6, which has no damper.
    lines = tuple((hz_of(77, n), -12.0 - 2.0 * n, 2.5) for n in (1, 2, 3))
    low = measured(77, t60_s=2.2, level_db=-9.0, lines=lines)
    ringing = with_sound(measured(61), (hz_of(77, 2), -44.0, 2.5))
    assert heard(whole_run(k77=low, k61=ringing), 61) == []
    at_third = with_sound(measured(61), (hz_of(77, 3), -44.0, 2.5))
    (echo,) = heard(whole_run(k77=low, k61=at_third), 61)
    assert (echo.midi, echo.partial) == (77, 3)
