import dataclasses

import pytest

from toneapp.evenness import SetupKind, levels_comparable, setup_differences
from toneapp.results import NoteResult, RunResult


def run(*, shift_db=0.0, notes=20, **options):
    return RunResult(
        **{
            "sample_rate_hz": 48000,
            "duration_s": 300.0,
            "a4_reference_hz": 440.0,
            "noise_dbfs": -70.0,
            "room_t60_s": 0.5,
            "notes": tuple(
                NoteResult(midi=m, note="?", strikes=1, level_db=-20.0 + 0.1 * m + shift_db)
                for m in range(40, 40 + notes)
            ),
            **options,
        }
    )


def kinds(before, after):
    return [difference.kind for difference in setup_differences(before, after)]


def test_the_same_set_up_has_no_differences():
    assert kinds(run(), run(shift_db=0.5, noise_dbfs=-73.0, room_t60_s=0.55)) == []


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        ({"noise_dbfs": -60.0}, SetupKind.NOISE),
        ({"room_t60_s": 0.8}, SetupKind.ROOM),
        ({"room_t60_s": 0.3}, SetupKind.ROOM),
        ({"shift_db": -4.0}, SetupKind.LEVEL),
        ({"channel_use": "left"}, SetupKind.CHANNEL),
        ({"sample_rate_hz": 44100}, SetupKind.RATE),
        ({"calibration_db": 94.0}, SetupKind.CALIBRATION),
        ({"a4_reference_hz": 442.0}, SetupKind.A4),
        ({"measures_version": 99}, SetupKind.MEASURES),
    ],
)
def test_each_difference_is_named_alone(change, kind):
    assert kinds(run(), run(**change)) == [kind]
    assert kinds(run(**change), run()) == [kind]


def test_a_level_shift_is_told_in_decibels_and_not_by_the_notes_worked_on():
    after = run(shift_db=3.0)
    worked = tuple(dataclasses.replace(n, level_db=n.level_db - 12.0) for n in after.notes[:5])
    after = dataclasses.replace(after, notes=worked + after.notes[5:])
    (difference,) = setup_differences(run(), after)
    assert difference.shift_db == pytest.approx(3.0)


def scattered(sd_db, level_se):
    """The run again with every level moved, up and down in turn as much as a normal spread."""
    plain = run()
    steps = [sd_db * (1.0 if place % 2 else -1.0) for place in range(len(plain.notes))]
    notes = tuple(
        dataclasses.replace(n, level_db=n.level_db + step, level_se=level_se)
        for n, step in zip(plain.notes, steps, strict=True)
    )
    return dataclasses.replace(plain, notes=notes)


def test_a_moved_microphone_is_told_and_an_uneven_hand_is_not():
    (difference,) = setup_differences(run(), scattered(4.0, 0.5))
    assert difference.kind is SetupKind.PLACE
    # All changes are 4 dB from their median: the scaled median deviation is 1.4826 times that.
    assert difference.shift_db == pytest.approx(4.0 * 1.4826)
    assert kinds(run(), scattered(2.0, 2.5)) == []
    assert kinds(run(), scattered(0.8, 0.2)) == []


def test_what_is_not_known_is_not_compared():
    assert kinds(run(noise_dbfs=None, room_t60_s=None, notes=3), run(shift_db=9.0)) == []


def test_levels_stand_side_by_side_only_when_all_are_calibrated():
    assert levels_comparable([run(calibration_db=94.0), run(calibration_db=100.0)])
    assert not levels_comparable([run(calibration_db=94.0), run()])
