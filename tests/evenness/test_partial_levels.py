"""Levels of partials over the blows on a key, and how they grow with the blow."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.evenness.partial_levels import attack_of, expected_growth, partial_levels
from toneapp.pitch import midi_to_hz, note_name
from toneapp.results import StrikeResult

GROWTH = 0.15
"""Of the made-up instrument, in dB of relative level per dB of blow and partial number."""


def strike(midi: int, blow_db: float, *, heard: int = 8) -> StrikeResult:
    number = np.arange(1, heard + 1)
    level = blow_db - 3.0 * number + GROWTH * number * (blow_db + 30.0)
    return StrikeResult(
        midi=midi, note=note_name(midi), onset_s=0.0, end_s=1.0, f0_hz=midi_to_hz(midi), B=1e-4,
        level_db=blow_db, brightness=1.0, brightness_se=0.01, attack_db=tuple(level.tolist()),
    )  # fmt: skip


def levels_of(strikes: list[StrikeResult]):
    return partial_levels(strikes, [attack_of(s) for s in strikes])


def test_growth_is_told_by_the_blows():
    found = levels_of([strike(m, b) for m in range(40, 60) for b in (-36.0, -30.0, -24.0)])
    inner = (found.number > 2) & (found.number < 7)
    assert found.growth[inner] == pytest.approx(GROWTH * found.number[inner], rel=0.25)


def test_a_partial_heard_in_firm_blows_alone_is_carried_to_the_usual_blow():
    keys = range(40, 60)
    all_heard = levels_of([strike(m, b) for m in keys for b in (-36.0, -30.0, -24.0)])
    some = [
        strike(m, b, heard=6 if m == 50 and b < -25.0 else 8)
        for m in keys
        for b in (-36.0, -30.0, -24.0)
    ]
    found = levels_of(some)
    at = (found.midi == 50) & (found.number == 8)
    before = (all_heard.midi == 50) & (all_heard.number == 8)
    # Uncarried it would stand out by 0.15 * 8 * 6 = 7.2 dB.
    assert found.level_db[at] == pytest.approx(all_heard.level_db[before], abs=1.5)


def test_with_one_blow_a_note_the_usual_growth_serves():
    found = levels_of([strike(m, -30.0) for m in range(40, 60)])
    assert found.growth == pytest.approx(expected_growth(found.frequency_hz))


def test_usual_growth_rises_with_frequency():
    assert np.all(np.diff(expected_growth(np.geomspace(50.0, 9000.0, 40))) >= 0.0)


def test_nothing_without_an_attack():
    assert levels_of([]) is None
