"""Which round a blow belongs to, when a note has fewer blows than the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from toneapp.evenness import judge_evenness
from toneapp.evenness.touch_layers import Rounds, find_rounds
from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import note_name
from toneapp.results import Flag, StrikeResult

ROUNDS_DB = (-8.0, 0.0, 6.0)
KEYS = range(30, 90)


def _played(
    draw: int,
    *,
    in_passes: bool,
    missed: set[tuple[int, int]],
    rounds_db: Sequence[float] = ROUNDS_DB,
    hand_db: float = 1.0,
) -> list[tuple[int, int, float, float]]:
    """Key, true round, onset and level of each blow of a run."""
    rng = np.random.default_rng(draw)
    own = {key: rng.normal(0.0, 0.5) for key in KEYS}
    plan = (
        [(key, i) for i in range(len(rounds_db)) for key in KEYS]
        if in_passes
        else [(key, i) for key in KEYS for i in range(len(rounds_db))]
    )
    return [
        (key, i, 1.5 * t, -30.0 - 0.05 * key + own[key] + rounds_db[i] + rng.normal(0.0, hand_db))
        for t, (key, i) in enumerate(plan)
        if (key, i) not in missed
    ]


def _rounds(blows: list[tuple[int, int, float, float]]) -> Rounds:
    midi, _, onset_s, level_db = (np.array(column) for column in zip(*blows, strict=True))
    return find_rounds(midi, onset_s, level_db)


@pytest.mark.parametrize("in_passes", [True, False])
@pytest.mark.parametrize("missing", [0, 1, 2])
def test_a_missed_blow_leaves_the_others_in_their_rounds(in_passes: bool, missing: int) -> None:
    missed = {(35, missing), (60, missing), (84, missing)}
    blows = _played(1, in_passes=in_passes, missed=missed)
    found = _rounds(blows)
    assert found.usual == 3
    assert found.fewer == (35, 60, 84)
    assert found.round.tolist() == [i for _, i, _, _ in blows]


def test_whole_passes_tell_the_round_where_the_levels_cannot() -> None:
    # All three passes at one dynamic: only the blows around in time know.
    missed = {(40, 0), (50, 1), (60, 2)}
    blows = _played(2, in_passes=True, missed=missed, rounds_db=(0.0, 0.0, 0.0))
    found = _rounds(blows)
    assert found.round.tolist() == [i for _, i, _, _ in blows]
    assert found.doubt_db == {}


def test_blows_note_by_note_at_one_dynamic_are_in_doubt_by_little() -> None:
    found = _rounds(_played(3, in_passes=False, missed={(50, 1)}, rounds_db=(0.0, 0.0, 0.0)))
    assert set(found.doubt_db) == {50}
    assert abs(found.doubt_db[50]) < 1.5  # rounds alike: it makes no difference


def test_a_note_struck_once_between_two_rounds_is_in_doubt() -> None:
    blows = [b for b in _played(4, in_passes=False, missed=set()) if b[0] != 50]
    soft, firm = (
        np.mean([level for key, i, _, level in blows if i == which and 45 <= key <= 55])
        for which in (0, 1)
    )
    found = _rounds([*blows, (50, 0, 0.75, 0.5 * float(soft + firm))])
    # Read as the one round it is too loud, as the other too soft: 8 dB lie between.
    assert abs(found.doubt_db[50]) == pytest.approx(8.0, abs=1.5)


@pytest.mark.parametrize("counts", [[1] * 40, [3, 2, 1, 4, 2, 1, 3], [2] * 4, [12] * 20], ids=str)
def test_no_plan_no_rounds(counts: list[int]) -> None:
    midi = np.repeat(np.arange(40, 40 + len(counts)), counts)
    found = find_rounds(midi, np.arange(midi.size, dtype=float), np.zeros(midi.size))
    assert (found.usual, found.fewer) == (1, ())
    assert found.round.tolist() == [i for count in counts for i in range(count)]


def test_the_order_of_the_strikes_does_not_matter() -> None:
    blows = _played(5, in_passes=True, missed={(44, 1)})
    turned = [blows[i] for i in np.random.default_rng(1).permutation(len(blows))]
    assert dict(zip(turned, _rounds(turned).round.tolist(), strict=True)) == dict(
        zip(blows, _rounds(blows).round.tolist(), strict=True)
    )


def test_what_cannot_be_right_is_refused() -> None:
    with pytest.raises(ValueError, match="one length"):
        find_rounds(np.array([60, 61]), np.zeros(1), np.zeros(2))
    with pytest.raises(ValueError, match="finite"):
        find_rounds(np.array([60]), np.zeros(1), np.array([np.nan]))


@pytest.mark.parametrize("in_passes", [True, False])
def test_the_hand_raises_no_note(in_passes: bool) -> None:
    # Over runs with ten missed blows each, notes were raised for it in one of five.
    raised = flagged = 0
    for draw in range(3):
        rng = np.random.default_rng(50 + draw)
        missed = {(int(key), int(rng.integers(3))) for key in rng.permutation(KEYS)[:10]}
        strikes = [
            StrikeResult(
                midi=key, note=note_name(key), onset_s=onset_s, end_s=onset_s + 1.0,
                level_db=level_db,
            )
            for key, _, onset_s, level_db in _played(draw, in_passes=in_passes, missed=missed)
        ]  # fmt: skip
        notes, _ = judge_evenness(strikes, layout=KeyboardLayout())
        short = [note for note in notes if (note.midi in {key for key, _ in missed})]
        flagged += sum(Flag.FEWER_BLOWS in note.flags for note in notes)
        raised += sum(bool(note.raised) for note in short)
        assert all(Flag.FEWER_BLOWS in note.flags for note in short)
    assert flagged == 30
    assert raised == 0
