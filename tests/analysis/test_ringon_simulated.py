"""Leaking dampers and echo strings of whole runs, on simulated truth."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from toneapp.analysis import analyse
from toneapp.keyboard import Compass, KeyboardLayout
from toneapp.results import Cause, RunResult

RATE = 32000
LAST_DAMPER = 88


@pytest.fixture(scope="module")
def leaky_piano(write: Callable[..., Path]) -> tuple[RunResult, object, tuple[int, ...]]:
    from toneapp.simulate import Faults, Room, chromatic_plan, make_piano, render

    leaks = (43, 50, 57, 65, 71, 78)
    piano = make_piano(
        np.random.default_rng(31), kind="grand", last_damper_midi=LAST_DAMPER,
        faults=Faults(damper_strength=dict.fromkeys(leaks, 0.03)),
    )  # fmt: skip
    rng = np.random.default_rng(32)
    plan = chromatic_plan(Compass.parse("E2-C8"), rng=rng, hold_s=0.35, gap_s=1.1)
    run = render(piano, plan, Room(t60_s=0.35, snr_db=55.0), rng=rng, sample_rate_hz=RATE)
    result = analyse(
        write(run.audio, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
    )
    return result, run.truth, leaks


def test_all_leaking_dampers_are_among_the_first_eight(
    leaky_piano: tuple[RunResult, object, tuple[int, ...]],
) -> None:
    result, _, leaks = leaky_piano
    assert result.ring_on is not None
    assert set(leaks) <= {suspect.midi for suspect in result.ring_on.suspects[:8]}


def test_strings_and_causes_are_those_of_the_truth(
    leaky_piano: tuple[RunResult, object, tuple[int, ...]],
) -> None:
    result, truth, _ = leaky_piano
    found = missed = false = right = 0
    for strike in result.strikes:
        near = min(truth.strikes, key=lambda other: abs(other.onset_s - strike.onset_s))
        if strike.midi > LAST_DAMPER:
            continue
        loud = {ring.midi for ring in near.ringing if ring.level_db > -50.0}
        any_level = {ring.midi: ring.cause for ring in near.ringing}
        told = {echo.midi: echo for echo in strike.ringing}
        found += len(loud & told.keys())
        missed += len(loud - told.keys())
        for midi, echo in told.items():
            if echo.level_db <= -50.0:
                continue
            if midi in any_level:
                right += echo.cause is any_level[midi]
            else:
                false += 1
    assert found > 60
    assert found / (found + missed) >= 0.9
    assert found / (found + false) >= 0.9
    assert right >= 0.9 * found


def test_free_strings_answer_where_partials_meet(
    leaky_piano: tuple[RunResult, object, tuple[int, ...]],
) -> None:
    """H.-M. Lehtonen et al., J. Acoust. Soc. Am. 122, 1787 (2007), as measured from the sound."""
    result, _, _ = leaky_piano
    offs = []
    for strike in result.strikes:
        if strike.f0_hz is None or strike.B is None:
            continue
        n = np.arange(1, 40)
        series = n * strike.f0_hz * np.sqrt(1.0 + strike.B * n**2)
        offs += [
            float(np.min(np.abs(1200.0 * np.log2(echo.hz / series))))
            for echo in strike.ringing
            if echo.cause is Cause.UNDAMPED and echo.level_db > -45.0
        ]
    assert len(offs) >= 15
    # By chance the median would be a quarter of the spacing of partials, 25 cents or more.
    assert np.median(offs) < 8.0


@pytest.fixture(scope="module")
def quiet_piano(write: Callable[..., Path]) -> RunResult:
    """Sound dampers, free strings that do not answer, a room of 0.6 s."""
    from toneapp.simulate import Room, chromatic_plan, make_piano, render

    piano = make_piano(
        np.random.default_rng(33), kind="grand", last_damper_midi=LAST_DAMPER, sympathy=0.0
    )
    rng = np.random.default_rng(34)
    plan = chromatic_plan(Compass.parse("C2-C8"), rng=rng, hold_s=0.35, gap_s=1.0)
    run = render(piano, plan, Room(t60_s=0.6, snr_db=55.0), rng=rng, sample_rate_hz=RATE)
    return analyse(
        write(run.audio, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
    )


def test_a_well_damped_piano_in_a_live_room_does_not_ring(quiet_piano: RunResult) -> None:
    assert len(quiet_piano.strikes) == 73
    assert sum(len(strike.ringing) for strike in quiet_piano.strikes) <= 1


@pytest.fixture(scope="module")
def disturbed_piano(write: Callable[..., Path]) -> RunResult:
    """Sound dampers in a room of 0.9 s, with noise, a hum, a clock and clattering dampers."""
    from toneapp.simulate import (
        Disturbance,
        Room,
        chromatic_plan,
        clock_ticks,
        make_piano,
        render,
    )

    piano = make_piano(
        np.random.default_rng(35), kind="upright", last_damper_midi=LAST_DAMPER, sympathy=0.0
    )
    rng = np.random.default_rng(36)
    plan = chromatic_plan(Compass.parse("C3-C6"), rng=rng, hold_s=0.35, gap_s=1.2)
    thumps = [
        Disturbance(
            kind="thump", onset_s=blow.onset_s + blow.hold_s, duration_s=0.15, level_db=-30.0
        )
        for blow in plan
    ]
    ticks = clock_ticks(start_s=0.3, end_s=plan[-1].onset_s + 2.0)
    events = sorted([*plan, *thumps, *ticks], key=lambda event: event.onset_s)
    room = Room(t60_s=0.9, snr_db=35.0, hum_db=-35.0)
    run = render(piano, events, room, rng=rng, sample_rate_hz=RATE)
    return analyse(
        write(run.audio, rate=RATE, subtype="PCM_24"),
        layout=KeyboardLayout(compass=Compass.parse("C3-C8"), last_damper_midi=LAST_DAMPER),
    )


def test_noise_hum_and_a_clock_ring_nowhere(disturbed_piano: RunResult) -> None:
    assert len(disturbed_piano.strikes) >= 37
    assert sum(len(strike.ringing) for strike in disturbed_piano.strikes) <= 1
    assert disturbed_piano.ring_on is not None
    assert not any(suspect.suspicion > 2.5 for suspect in disturbed_piano.ring_on.suspects)


def test_the_rooms_own_decay_is_read_from_the_run(quiet_piano: RunResult) -> None:
    assert quiet_piano.ring_on is not None
    assert quiet_piano.ring_on.room_t60_s == pytest.approx(0.6, rel=0.2)
