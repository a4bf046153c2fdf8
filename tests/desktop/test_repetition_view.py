"""A repetition run in words."""

from __future__ import annotations

from toneapp.analysis import RepetitionRun
from toneapp.desktop.repetition_view import _as_said, repetition_view
from toneapp.evenness.sluggish import judge_repetition
from toneapp.library import EditAction, StrikeEdit
from toneapp.measure.repetition import KeyRepetition
from toneapp.pitch import note_name
from toneapp.results import Flag


def key(midi: int | None, *, rate: float = 9.0, first_s: float = 1.0, missed: int = 0, **more):
    return KeyRepetition(
        midi=midi,
        note="" if midi is None else note_name(midi),
        first_s=first_s,
        last_s=first_s + 1.2,
        blows=12,
        strikes_per_s=rate,
        strikes_per_s_se=0.1,
        spacing_cv=0.04,
        spacing_cv_se=0.01,
        level_sd_db=0.8,
        level_sd_db_se=0.2,
        missed=missed,
        **more,
    )


def view_of(keys):
    return repetition_view(
        RepetitionRun(
            source="any",
            duration_s=60.0,
            sample_rate_hz=48_000,
            keys=tuple(keys),
            judgement=judge_repetition(keys),
        )
    )


def test_a_slow_key_is_named_with_its_rate_and_that_of_its_neighbours():
    rates = [9.0, 9.1, 8.9, 9.0, 5.5, 9.0, 9.1, 8.9, 9.0]
    view = view_of([key(60 + i, rate=rate) for i, rate in enumerate(rates)])
    assert view.heading == "9 keys struck fast: 1 sluggish key"
    (sentence,) = view.sluggish
    assert sentence.startswith("E4: slower than the keys around it (5.5 blows a second, around")
    row = next(row for row in view.rows if row.note == "E4")
    assert row.is_sluggish
    assert (row.rate, row.spacing, row.missed) == ("5.5 ± 0.2", "4 ± 2 %", "none")


def test_few_keys_are_said_to_have_no_trend():
    view = view_of([key(60), key(62)])
    assert view.heading == "2 keys struck fast: no sluggish key"
    assert any("Seven keys are needed" in text for text in view.problems)


def test_what_a_person_said_of_a_series_holds():
    def edit(number: int, at_s: float, action: EditAction, midi: int | None) -> StrikeEdit:
        return StrikeEdit(
            id=number, take_id=1, part="", onset_s=at_s, action=action, midi=midi, note="",
            made_at="", version=1,
        )  # fmt: skip

    heard = [
        key(66, first_s=10.0, flags=(Flag.NOTE_UNCERTAIN,)),
        key(60, first_s=20.0),
        key(61, first_s=30.0),
    ]
    edits = [
        edit(1, 10.2, EditAction.RELABEL, 58),
        edit(2, 20.1, EditAction.DISCARD, None),
    ]
    kept = _as_said(heard, edits)
    assert [(item.midi, item.note) for item in kept] == [(58, "A#3"), (61, "C#4")]
    assert kept[0].flags == ()
