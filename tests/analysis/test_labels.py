"""The user's own labels against what was heard."""

from __future__ import annotations

from toneapp.analysis.labels import GivenLabel, NamedStrike, apply_given_labels

HEARD = [
    NamedStrike(onset_s=1.0, midi=60, pitch=60.1),
    NamedStrike(onset_s=2.0, midi=61, pitch=61.0, is_unexpected=True, is_uncertain=True),
    NamedStrike(onset_s=3.0, midi=62, pitch=62.0),
]


def _apply(*given: GivenLabel, detune: float = 0.0) -> list[NamedStrike]:
    return apply_given_labels(HEARD, given, detune_semitones=detune)


def test_without_labels_nothing_changes() -> None:
    assert _apply() == HEARD


def test_a_label_near_a_strike_names_it() -> None:
    named = _apply(GivenLabel(onset_s=2.1, midi=73))
    assert [strike.midi for strike in named] == [60, 73, 62]
    assert named[1].onset_s == 2.0  # the strike stays where it was heard
    assert named[1].is_given
    assert not named[1].is_unexpected
    assert not named[1].is_uncertain
    assert named[1].pitch == 73.0  # the key says where to look, not the pitch of another one


def test_the_pitch_heard_stands_when_it_is_that_keys() -> None:
    named = _apply(GivenLabel(onset_s=1.0, midi=60))
    assert named[0].pitch == 60.1
    off_pitch = _apply(GivenLabel(onset_s=1.0, midi=61), detune=-0.9)
    assert off_pitch[0].midi == 61
    assert off_pitch[0].pitch == 60.1


def test_a_label_where_nothing_was_heard_makes_a_strike() -> None:
    named = _apply(GivenLabel(onset_s=2.5, midi=40), detune=0.3)
    assert [strike.midi for strike in named] == [60, 61, 40, 62]
    assert named[2].pitch == 40.3
    assert named[2].is_given


def test_a_label_without_a_key_takes_the_strike_out() -> None:
    assert [s.midi for s in _apply(GivenLabel(onset_s=1.95, midi=None))] == [60, 62]
    assert _apply(GivenLabel(onset_s=2.5, midi=None)) == HEARD


def test_the_nearest_strike_is_meant() -> None:
    close = [
        NamedStrike(onset_s=1.0, midi=60, pitch=60.0),
        NamedStrike(onset_s=1.12, midi=60, pitch=60.0),
    ]
    named = apply_given_labels(close, [GivenLabel(onset_s=1.1, midi=64)], detune_semitones=0.0)
    assert [strike.midi for strike in named] == [60, 64]


def test_what_was_heard_is_not_changed() -> None:
    kept = list(HEARD)
    _apply(GivenLabel(onset_s=1.0, midi=70), GivenLabel(onset_s=2.0, midi=None))
    assert kept == HEARD


def test_bounds_given_stand_in_place_of_those_heard() -> None:
    named = _apply(GivenLabel(onset_s=2.0, midi=61, exact_onset_s=2.43, release_s=2.8))
    assert [strike.onset_s for strike in named] == [1.0, 2.43, 3.0]
    assert named[1].release_s == 2.8
    assert named[1].has_given_bounds
    assert not named[0].has_given_bounds


def test_a_release_alone_leaves_the_onset_as_heard() -> None:
    named = _apply(GivenLabel(onset_s=1.06, midi=60, release_s=1.7))
    assert (named[0].onset_s, named[0].release_s) == (1.0, 1.7)


def test_a_strike_that_was_not_heard_begins_where_it_is_said_to() -> None:
    named = _apply(GivenLabel(onset_s=2.5, midi=40, exact_onset_s=2.52))
    assert [strike.onset_s for strike in named] == [1.0, 2.0, 2.52, 3.0]
