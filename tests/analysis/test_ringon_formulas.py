"""Damping and ringing of a run that is put together from formulas."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from toneapp.analysis import analyse
from toneapp.keyboard import KeyboardLayout
from toneapp.results import Cause, RunResult

RATE = 32000
LAST_DAMPER = 88


@pytest.fixture(scope="module")
def formula_run(tones: ModuleType, write: Callable[..., Path]) -> RunResult:
    """Two octaves and free keys; C#4 leaks, G6 answers C4 and C5, a hum runs through."""
    keys = [*range(52, 77), 90, 91, 92, 95]
    blows = tones.evenly_spaced(keys, gap_s=1.5, hold_s=0.4)
    rng = np.random.default_rng(60)
    sound = tones.struck_run(blows, rate_hz=RATE, rng=rng, noise_dbfs=-74.0)
    t = np.arange(sound.size) / RATE
    sound += 1.5e-3 * np.sin(2 * np.pi * 50.0 * t) + 1e-3 * np.sin(2 * np.pi * 1000.0 * t)
    for blow in blows:
        first = int(blow.onset_s * RATE)
        span = np.arange(min(int(1.45 * RATE), sound.size - first)) / RATE
        after = np.clip(span - blow.hold_s, 0.0, None)
        if blow.midi in (60, 72):  # the free string of G6, driven during the hold
            tail = 10.0 ** (-3.0 * after / 3.0) * np.clip(span / 0.2, 0.0, 1.0)
            hz = tones.equal_tempered_hz(91)
            sound[first : first + span.size] += 2.5e-3 * tail * np.sin(2 * np.pi * hz * span)
        if blow.midi == 61:  # its own damper hardly works
            own = tones.string_tone(
                f1_hz=tones.equal_tempered_hz(61),
                b=tones.young_b(61),
                rate_hz=RATE,
                length_s=1.45,
                t60_s=3.0,
                rng=np.random.default_rng(7),
            )
            gate = np.clip((span - blow.hold_s + 0.05) / 0.05, 0.0, 1.0)
            sound[first : first + span.size] += 0.2 * own[: span.size] * gate
    return analyse(
        write(sound, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
    )


def test_the_string_that_was_put_in_is_heard_and_no_other(formula_run: RunResult) -> None:
    heard = {
        (strike.midi, echo.midi, echo.cause)
        for strike in formula_run.strikes
        for echo in strike.ringing
        if echo.cause is not Cause.OWN_DAMPER
    }
    assert heard == {(60, 91, Cause.UNDAMPED), (72, 91, Cause.UNDAMPED)}


def test_the_leaking_damper_that_was_put_in_is_first(formula_run: RunResult) -> None:
    assert formula_run.ring_on is not None
    assert formula_run.ring_on.suspects[0].midi == 61
    own = next(s for s in formula_run.strikes if s.midi == 61)
    assert Cause.OWN_DAMPER in {echo.cause for echo in own.ringing}


def test_a_hum_through_the_whole_run_rings_nowhere(formula_run: RunResult) -> None:
    for strike in formula_run.strikes:
        for echo in strike.ringing:
            assert abs(echo.hz - 50.0) > 3.0
            assert abs(echo.hz - 1000.0) > 3.0
