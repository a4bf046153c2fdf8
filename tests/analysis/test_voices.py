"""What is left out of the strikes because no string was struck."""

from __future__ import annotations

from dataclasses import replace

import pytest

from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.voices import without_voices
from toneapp.measure.partial_rise import PartialRise
from toneapp.measure.stiff_string import typical_inharmonicity
from toneapp.pitch import note_name
from toneapp.results import Flag, PartialResult, StrikeResult


def strike(midi: int, level_db: float, *flags: Flag) -> MeasuredStrike:
    return MeasuredStrike(
        result=StrikeResult(
            midi=midi, note=note_name(midi), onset_s=float(midi), end_s=midi + 1.0,
            level_db=level_db, flags=flags,
        )
    )  # fmt: skip


RUN = [strike(midi, -35.0) for midi in range(60, 84)]
DOUBTFUL = (Flag.QUIET, Flag.NOTE_UNCERTAIN)


@pytest.mark.parametrize("number", [1, 3])
def test_a_thump_far_below_the_blows_is_a_noise(number: int) -> None:
    thumps = [strike(76, -87.0, *DOUBTFUL) for _ in range(number)]
    kept, noises = without_voices([*RUN, *thumps])
    assert len(kept) == len(RUN)
    assert [noise.kind for noise in noises] == ["noise"] * number


def test_a_soft_blow_is_none() -> None:
    kept, noises = without_voices([*RUN, strike(76, -70.0, *DOUBTFUL)])
    assert len(kept) == len(RUN) + 1
    assert noises == []


def test_what_is_surely_a_note_is_none() -> None:
    kept, _ = without_voices([*RUN, strike(76, -87.0, Flag.QUIET)])
    assert len(kept) == len(RUN) + 1


def test_what_was_named_by_hand_is_none() -> None:
    kept, _ = without_voices([*RUN, strike(76, -87.0, *DOUBTFUL, Flag.LABEL_GIVEN)])
    assert len(kept) == len(RUN) + 1


def test_a_run_of_soft_blows_is_measured_by_its_own() -> None:
    soft = [strike(midi, -80.0, *DOUBTFUL) for midi in range(60, 84)]
    kept, noises = without_voices(soft)
    assert len(kept) == len(soft)
    assert noises == []


@pytest.mark.parametrize(
    ("midi", "level_db", "release_s", "is_kept"),
    [
        (70, -60.0, None, False),  # the thump of a release that was not found
        (70, -60.0, 71.5, True),  # found: this is a blow after it
        (70, -50.0, None, True),  # a softer blow
        (71, -60.0, None, True),  # on another key
        (96, -60.0, None, True),  # where there is no damper
    ],
)
def test_the_release_of_the_key_is_no_blow(
    midi: int, level_db: float, release_s: float | None, is_kept: bool
) -> None:
    first = strike(96 if midi == 96 else 70, -35.0)
    first = replace(first, result=replace(first.result, release_s=release_s))
    kept, _ = without_voices([first, strike(midi, level_db, Flag.QUIET)])
    assert (len(kept) == 2) is is_kept


@pytest.mark.parametrize(
    ("midi", "rising", "fresh_db", "flags", "is_kept"),
    [
        (96, 0, -70.0, (), False),  # the thump of a key let go while its string sounds
        (33, 0, -70.0, (), False),
        (96, 0, -45.0, (), True),  # as loud as a blow: the note before hides what was set going
        (96, 1, -80.0, (), True),  # a soft blow on a string that sounds
        (60, 3, -80.0, (), True),
        (60, 1, -80.0, (Flag.UNEXPECTED,), False),  # a mode of the case
        (60, 1, -80.0, (Flag.NOTE_UNCERTAIN,), False),
        (60, 1, -55.0, (Flag.UNEXPECTED,), True),  # a slip
        (60, 4, -80.0, (Flag.UNEXPECTED,), True),  # a soft one
        (96, 1, -80.0, (Flag.UNEXPECTED,), True),
        (96, 0, -70.0, (Flag.LABEL_GIVEN,), True),
    ],
)
def test_what_set_no_partial_going_is_no_blow(
    midi: int, rising: int, fresh_db: float, flags: tuple[Flag, ...], is_kept: bool
) -> None:
    blow = PartialRise(rising=5, fresh_db=-40.0)
    run = [replace(strike(key, -35.0), rise=blow) for key in range(60, 84)]
    doubtful = replace(
        strike(midi, -60.0, *flags), rise=PartialRise(rising=rising, fresh_db=fresh_db)
    )
    kept, noises = without_voices([*run, doubtful])
    assert (len(kept) == len(run) + 1) is is_kept
    assert len(noises) == (0 if is_kept else 1)
    # Without neighbours there is nothing to hold it against.
    assert len(without_voices([doubtful])[0]) == 1


@pytest.mark.parametrize(("around", "is_kept"), [(1.0, False), (0.4, True)])
def test_what_counts_as_harmonic_is_told_by_the_strings_around(
    around: float, is_kept: bool
) -> None:
    def stiff(midi: int, share: float) -> MeasuredStrike:
        item = strike(midi, -35.0)
        B = share * float(typical_inharmonicity(float(midi)))
        heard = tuple(PartialResult(n=n, hz=100.0 * n, level_db=-50.0) for n in range(1, 21))
        return replace(
            item, result=replace(item.result, B=B, series_residual_cents=1.5, partials=heard)
        )

    run = [stiff(midi, around) for midi in (44, 46, 50, 52)]
    kept, _ = without_voices([*run, stiff(48, 0.15)])
    assert len(kept) == (5 if is_kept else 4)
