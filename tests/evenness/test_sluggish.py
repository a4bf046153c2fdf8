"""Which keys are called sluggish, on figures made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.evenness import SluggishReason, judge_repetition
from toneapp.measure.repetition import KeyRepetition
from toneapp.pitch import note_name
from toneapp.results import Flag


def key(midi: int | None, **changes: object) -> KeyRepetition:
    values: dict[str, object] = {
        "midi": midi, "note": "" if midi is None else note_name(midi), "first_s": 1.0,
        "last_s": 3.5, "blows": 18, "strikes_per_s": 7.0, "strikes_per_s_se": 0.08,
        "spacing_cv": 0.045, "spacing_cv_se": 0.008, "level_sd_db": 1.2, "level_sd_db_se": 0.2,
        "missed": 0,
    }  # fmt: skip
    return KeyRepetition(**(values | changes))  # type: ignore[arg-type]


def keyboard(rng: np.random.Generator, **changes: dict[str, object]) -> list[KeyRepetition]:
    """Every third key, slower towards the bass, with the scatter of a hand."""
    keys = []
    for midi in range(24, 105, 3):
        values = {
            "strikes_per_s": (6.0 + 0.02 * (midi - 24)) * float(np.exp(rng.normal(0.0, 0.03))),
            "spacing_cv": 0.045 * float(np.exp(rng.normal(0.0, 0.16))),
            "level_sd_db": 1.2 + float(rng.normal(0.0, 0.2)),
        }
        keys.append(key(midi, **(values | changes.get(f"k{midi}", {}))))
    return keys


def listed(keys: list[KeyRepetition]) -> dict[int, tuple[SluggishReason, ...]]:
    return {item.midi: item.reasons for item in judge_repetition(keys).sluggish}


def test_a_sound_action_has_no_sluggish_key() -> None:
    names = [listed(keyboard(np.random.default_rng(seed))) for seed in range(10)]
    assert sum(len(found) for found in names) <= 1


@pytest.mark.parametrize("midi", [24, 60, 102])
def test_a_slow_key_is_listed_wherever_it_lies(midi: int) -> None:
    found = listed(keyboard(np.random.default_rng(1), **{f"k{midi}": {"strikes_per_s": 4.3}}))
    assert found == {midi: (SluggishReason.SLOW,)}


@pytest.mark.parametrize("seed", range(6))
def test_a_slow_key_that_is_perfectly_even_is_listed(seed: int) -> None:
    slow = {"strikes_per_s": 4.3, "strikes_per_s_se": 1e-5}
    found = listed(keyboard(np.random.default_rng(seed), k60=slow))
    assert SluggishReason.SLOW in found[60]
    (item,) = judge_repetition(keyboard(np.random.default_rng(seed), k60=slow)).sluggish
    assert item.rate_ln_se >= 0.03  # no hand is as sure as its spacing was even


def test_a_bass_as_slow_as_its_neighbours_is_not_listed() -> None:
    # The trend falls by a quarter from top to bottom; that is the action, not a fault.
    assert 24 not in listed(keyboard(np.random.default_rng(2)))


def test_the_other_reasons() -> None:
    found = listed(
        keyboard(
            np.random.default_rng(3),
            k48={"spacing_cv": 0.16},
            k63={"level_sd_db": 6.0},
            k81={"missed": 4},
        )
    )
    assert found == {
        48: (SluggishReason.UNEVEN_SPACING,),
        63: (SluggishReason.UNEVEN_LEVEL,),
        81: (SluggishReason.MISSED_BLOWS,),
    }


def test_one_missed_blow_is_the_hands() -> None:
    assert listed(keyboard(np.random.default_rng(4), k60={"missed": 1})) == {}


def test_a_key_with_two_reasons_comes_before_one_with_one() -> None:
    keys = keyboard(
        np.random.default_rng(5),
        k48={"strikes_per_s": 4.6},
        k72={"strikes_per_s": 4.6, "spacing_cv": 0.2, "missed": 5},
    )
    sluggish = judge_repetition(keys).sluggish
    assert [item.midi for item in sluggish] == [72, 48]
    assert sluggish[0].missed == 5
    assert sluggish[1].usual_per_s == pytest.approx(6.5, rel=0.08)
    assert sluggish[1].rate_ln == pytest.approx(np.log(4.6 / 6.5), abs=0.08)


def test_the_general_pace_is_the_hands() -> None:
    keys = keyboard(np.random.default_rng(1), k60={"strikes_per_s": 4.3})
    slow = [
        KeyRepetition(
            **{name: getattr(k, name) for name in k.__slots__} | {
                "strikes_per_s": 0.6 * k.strikes_per_s}
        )
        for k in keys
    ]  # fmt: skip
    assert listed(slow) == listed(keys)


def test_of_several_series_on_a_key_the_fastest_counts() -> None:
    keys = [*keyboard(np.random.default_rng(1)), key(60, strikes_per_s=3.5)]
    assert listed(keys) == {}


def test_few_keys_are_held_against_their_median() -> None:
    judged = judge_repetition([key(60), key(62), key(64, strikes_per_s=4.0), key(65)])
    assert judged.flags == (Flag.TOO_FEW_NOTES,)
    assert [item.midi for item in judged.sluggish] == [64]
    assert judged.judged == 4


def test_without_a_known_key_nothing_is_judged() -> None:
    judged = judge_repetition([key(None)])
    assert (judged.sluggish, judged.judged) == ((), 0)
