"""What rings less or more between two runs, on results made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.evenness.level_change import Trend
from toneapp.evenness.ringing_change import RingingChange, ringing_change
from toneapp.evenness.ringing_matrix import heard_limit_db, ringing_matrix
from toneapp.evenness.ringing_words import (
    cell_text,
    level_change_text,
    short_change_text,
    treble_change_text,
)
from toneapp.pitch import note_name
from toneapp.results import Cause, EchoString, Flag, RingOn, RunResult, StrikeResult

KEYS = tuple(range(40, 80))
G6, C7, LEAK = 91, 96, 47


def echo(midi: int | None, level_db: float, cause: Cause = Cause.UNDAMPED) -> EchoString:
    return EchoString(
        midi=midi, partial=None if midi is None else 1, hz=1000.0, level_db=level_db, cause=cause,
        t60_s=2.0,
    )  # fmt: skip


def strike(
    midi: int, *echoes: EchoString, noise_dbfs: float = -90.0, has_release: bool = True
) -> StrikeResult:
    onset_s = 2.0 * midi
    return StrikeResult(
        midi=midi, note=note_name(midi), onset_s=onset_s, end_s=onset_s + 1.6,
        release_s=onset_s + 0.4 if has_release else None, ringing=echoes, noise_dbfs=noise_dbfs,
        peak_dbfs=-12.0,
    )  # fmt: skip


def run_of(
    *echoes: tuple[int, EchoString], last_damper: int = 88, noise_dbfs: float = -90.0,
    repeats: int = 1, keys: tuple[int, ...] = KEYS,
) -> RunResult:  # fmt: skip
    strikes = [
        strike(
            midi,
            *(item for struck, item in echoes if struck == midi),
            noise_dbfs=noise_dbfs,
        )
        for midi in keys
        for _ in range(repeats)
    ]
    return RunResult(
        sample_rate_hz=48000, duration_s=200.0, a4_reference_hz=440.0, strikes=tuple(strikes),
        ring_on=RingOn(
            last_damper_midi=last_damper, last_damper_is_given=True, room_t60_s=0.4,
            strikes_heard=len(strikes),
        ),
    )  # fmt: skip


def changed(before: RunResult, after: RunResult) -> RingingChange:
    return ringing_change(before, after, rng=np.random.default_rng(1))


def trends(change: RingingChange) -> dict[tuple[int, int], Trend]:
    return {(pair.struck_midi, pair.midi): pair.level.trend for pair in change.pairs}


# The matrix of one run


def test_strikes_on_a_key_are_drawn_together() -> None:
    strikes = (strike(60, echo(G6, -30.0)), strike(60, echo(G6, -36.0)), strike(60))
    run = RunResult(sample_rate_hz=48000, duration_s=9.0, a4_reference_hz=440.0, strikes=strikes)
    matrix = ringing_matrix(run)
    (cell,) = matrix.cells
    assert (cell.struck_midi, cell.midi, cell.note) == (60, G6, "G6")
    assert (cell.heard, cell.strikes) == (2, 3)
    # Energy mean of the two: 10 log10((1e-3 + 2.512e-4) / 2)
    assert cell.level_db == pytest.approx(-32.04, abs=0.01)
    assert matrix.struck == (60,)
    assert cell_text(cell).startswith("G6 rings after C4: −32 dB, T60 2.0 s")


def test_keys_without_a_release_are_left_out() -> None:
    strikes = (strike(60), strike(100, has_release=False))
    run = RunResult(sample_rate_hz=48000, duration_s=9.0, a4_reference_hz=440.0, strikes=strikes)
    assert ringing_matrix(run).struck == (60,)


def test_the_limit_is_what_the_noise_hides() -> None:
    assert heard_limit_db(strike(60)) == -50.0
    loud = heard_limit_db(strike(60, noise_dbfs=-40.0))
    assert loud is not None
    # Noise at -40 dBFS, 14 dB less in a line's own band and margin, against -21 dBFS RMS.
    assert loud == pytest.approx(-33.0)
    assert heard_limit_db(strike(60, has_release=False)) is None


# Two runs


def test_nothing_changed() -> None:
    run = run_of((50, echo(G6, -30.0)), (60, echo(G6, -33.0)), (62, echo(C7, -40.0)))
    change = changed(run, run)
    assert set(trends(change).values()) == {Trend.UNCHANGED}
    assert all(item.level.difference_db == 0.0 for item in change.strings)
    assert change.treble.difference_db == 0.0
    assert change.treble.low_db is not None
    assert change.treble.high_db is not None
    assert change.treble.low_db < 0.0 < change.treble.high_db
    assert change.common == KEYS


def test_a_string_that_was_damped_is_lost() -> None:
    before = run_of(*((midi, echo(G6, -28.0)) for midi in (50, 55, 60, 65, 70, 75)))
    after = run_of(last_damper=93)
    change = changed(before, after)
    assert set(trends(change).values()) == {Trend.LOST}
    (string,) = change.strings
    assert (string.midi, string.note) == (G6, "G6")
    assert (string.keys_before, string.keys_after) == ((50, 55, 60, 65, 70, 75), ())
    level = string.level
    assert level.trend is Trend.LOST
    assert (level.before_is_limit, level.after_is_limit) == (False, True)
    assert level.after_db == -50.0
    assert level.high_db is not None
    assert -22.0 < level.high_db < -15.0  # at least so much less
    assert level.low_db is None
    assert short_change_text(level) == "−28 → < −50 dB"
    assert "at least" in level_change_text(level)


def test_a_string_that_appears_is_gained() -> None:
    before = run_of()
    after = run_of(*((midi, echo(LEAK, -20.0, Cause.OTHER_DAMPER)) for midi in range(50, 60)))
    change = changed(before, after)
    assert set(trends(change).values()) == {Trend.GAINED}
    assert change.strings[0].level.trend is Trend.GAINED
    assert change.pairs[0].cause_before is None
    assert change.pairs[0].cause_after is Cause.OTHER_DAMPER


def test_a_weak_string_that_is_gone_cannot_be_told() -> None:
    change = changed(run_of((60, echo(G6, -48.0))), run_of())
    assert trends(change) == {(60, G6): Trend.HIDDEN}


def test_a_noisy_second_run_is_no_cure() -> None:
    before = run_of(*((midi, echo(G6, -40.0)) for midi in range(50, 70)))
    after = run_of(noise_dbfs=-35.0)  # hides all that lies below -28 dB
    change = changed(before, after)
    assert set(trends(change).values()) == {Trend.HIDDEN}
    assert change.strings == ()
    assert change.treble.difference_db is None
    assert change.treble.flags == (Flag.NOISE_HIDES_RING,)


def test_scatter_from_blow_to_blow_is_no_change() -> None:
    rng = np.random.default_rng(3)
    sure = 0
    for _ in range(20):
        levels = rng.normal(-35.0, 4.0, (2, 30))
        runs = [
            run_of(*((40 + i, echo(G6, float(level))) for i, level in enumerate(row)))
            for row in levels
        ]
        change = changed(*runs)
        sure += sum(trend is not Trend.UNCHANGED for trend in trends(change).values())
        assert change.strings[0].level.trend is Trend.UNCHANGED
    assert sure <= 0.02 * 20 * 30


def test_repeated_blows_tell_the_spread() -> None:
    # Three blows a key that agree within half a dB: a change of 6 dB is sure.
    before = run_of(*((m, echo(G6, -30.0)) for m in (50, 60, 70)), repeats=3)
    after = run_of(*((m, echo(G6, -36.0)) for m in (50, 60, 70)), repeats=3)
    change = changed(before, after)
    assert set(trends(change).values()) == {Trend.QUIETER}
    pair = change.pairs[0].level
    assert pair.low_db is not None
    assert pair.high_db is not None
    assert pair.high_db - pair.low_db < 2.0


def test_the_figure_of_the_treble() -> None:
    before = run_of(*((midi, echo(G6, -30.0)) for midi in range(40, 60)))
    after = run_of(*((midi, echo(G6, -40.0)) for midi in range(40, 60)))
    treble = changed(before, after).treble
    # Half of forty keys ring: mean energy 3 dB below.
    assert treble.before_db == pytest.approx(-33.01, abs=0.01)
    assert treble.difference_db == pytest.approx(-10.0)
    assert treble.low_db is not None
    assert treble.high_db is not None
    assert treble.low_db < -10.0 < treble.high_db < -6.0
    assert (treble.notes, treble.keys_before, treble.keys_after) == (40, 20, 20)
    text = treble_change_text(treble)
    assert text.startswith("−10.0 dB [")
    assert "after 20 now" in text


def test_the_treble_counts_strings_that_have_got_a_damper() -> None:
    # G6 had no damper, then one that leaks: still the same string.
    before = run_of(*((m, echo(G6, -30.0)) for m in range(40, 60)), last_damper=88)
    after = run_of(
        *((m, echo(G6, -45.0, Cause.OTHER_DAMPER)) for m in range(40, 60)), last_damper=93
    )
    assert changed(before, after).treble.difference_db == pytest.approx(-15.0)


def test_the_interval_of_one_loud_key_is_wide() -> None:
    # One key makes the mean; it is known no better than that key.
    before = run_of((60, echo(G6, -20.0)), *((m, echo(G6, -45.0)) for m in range(61, 70)))
    treble = changed(before, before).treble
    assert treble.low_db is not None
    assert treble.high_db is not None
    assert treble.high_db - treble.low_db > 15.0


def test_struck_keys_are_summed_over_their_strings() -> None:
    before = run_of((60, echo(G6, -30.0)), (60, echo(C7, -30.0)))
    after = run_of((60, echo(G6, -30.0)))
    (struck,) = changed(before, after).struck
    assert (struck.midi, struck.strings_before, struck.strings_after) == (60, (G6, C7), (G6,))
    assert struck.level.difference_db == pytest.approx(-3.01, abs=0.01)


def test_keys_of_one_run_only_are_named() -> None:
    before, after = run_of(keys=tuple(range(40, 70))), run_of(keys=tuple(range(50, 80)))
    change = changed(before, after)
    assert change.common == tuple(range(50, 70))
    assert change.only_before == tuple(range(40, 50))
    assert change.only_after == tuple(range(70, 80))


def test_too_few_keys_give_no_figure_of_the_treble() -> None:
    run = run_of((60, echo(G6, -30.0)), keys=(60, 61))
    treble = changed(run, run).treble
    assert treble.flags == (Flag.TOO_FEW_NOTES,)
    assert treble_change_text(treble) == "not told: only 2 damped keys in both runs"


def test_the_other_way_round_changes_the_sign() -> None:
    before = run_of(*((midi, echo(G6, -30.0)) for midi in range(40, 60)))
    after = run_of(*((midi, echo(G6, -38.0)) for midi in range(45, 65)))
    one, two = changed(before, after), changed(after, before)
    assert one.treble.difference_db is not None
    assert two.treble.difference_db == pytest.approx(-one.treble.difference_db)
    swapped = {
        Trend.LOST: Trend.GAINED, Trend.GAINED: Trend.LOST, Trend.QUIETER: Trend.LOUDER,
        Trend.LOUDER: Trend.QUIETER, Trend.UNCHANGED: Trend.UNCHANGED, Trend.HIDDEN: Trend.HIDDEN,
    }  # fmt: skip
    assert trends(two) == {place: swapped[trend] for place, trend in trends(one).items()}
