"""Plans of what is played."""

from __future__ import annotations

import numpy as np

from toneapp.keyboard import FULL_COMPASS
from toneapp.simulate import chromatic_plan, clock_ticks, repetition_plan, with_mistakes


def test_every_key_is_struck_in_order_at_every_strength() -> None:
    rng = np.random.default_rng(1)
    blows = chromatic_plan(FULL_COMPASS, rng=rng, dynamics=("soft", "medium", "firm"))
    assert [b.midi for b in blows] == [m for m in range(21, 109) for _ in range(3)]
    speeds = np.array([b.velocity_m_per_s for b in blows]).reshape(-1, 3)
    assert np.all(np.diff(speeds.mean(axis=0)) > 0.8)
    ends = np.array([b.onset_s + b.hold_s for b in blows])
    assert np.all(np.array([b.onset_s for b in blows])[1:] > ends[:-1])


def test_whole_rounds_descend_one_after_another() -> None:
    blows = chromatic_plan(
        FULL_COMPASS,
        rng=np.random.default_rng(1),
        order="descending",
        dynamics=("soft", "firm"),
        rounds="whole",
        notes=[60, 62],
    )
    assert [b.midi for b in blows] == [62, 60, 62, 60]


def test_strikes_per_note_repeats_the_dynamics() -> None:
    blows = chromatic_plan(
        FULL_COMPASS, rng=np.random.default_rng(1), strikes_per_note=4, notes=[60]
    )
    assert len(blows) == 4


def test_mistakes_are_as_many_as_asked_for_and_nothing_overlaps() -> None:
    rng = np.random.default_rng(3)
    plan = chromatic_plan(FULL_COMPASS, rng=rng)
    blows, missing = with_mistakes(
        plan, rng=rng, compass=FULL_COMPASS, wrong=3, skipped=4, repeated=5, doubled=2
    )
    roles = [b.role for b in blows]
    assert (roles.count("wrong"), roles.count("repeat"), roles.count("double")) == (3, 5, 2)
    assert len(blows) == 88 - 4 + 5 + 2
    assert len(missing) == 3 + 4
    assert all(b.midi != b.expected_midi for b in blows if b.role == "wrong")
    onsets = np.array([b.onset_s for b in blows])
    ends = np.array([b.onset_s + b.hold_s for b in blows])
    assert np.all(onsets[1:] >= ends[:-1] - 1e-9)


def test_missed_strikes_leave_a_gap() -> None:
    blows = repetition_plan(
        60, rng=np.random.default_rng(1), strikes=10, rate_per_s=8.0, missed=(4,)
    )
    gaps = np.diff([b.onset_s for b in blows])
    assert len(blows) == 9
    assert int(np.argmax(gaps)) == 3
    assert np.median(gaps) == np.clip(np.median(gaps), 0.1, 0.15)


def test_clock_ticks_all_through() -> None:
    assert len(clock_ticks(start_s=0.0, end_s=10.0, interval_s=0.5)) == 20
