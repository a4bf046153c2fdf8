"""The map says what was measured, what changed, and why something is missing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented import invent_run

from toneapp.desktop.evenness_view import (
    evenness_view,
    key_lines,
    nearest_hand_set,
    run_figures,
    visible_compass,
)
from toneapp.keyboard import Compass
from toneapp.library import HandSet, Instrument, Run, RunOfInstrument, compare_before_after
from toneapp.results import Flag, RunResult

PIANO = Instrument(name="Old upright", id=1, compass=Compass.parse("C3-C5"))
BRIGHT = 60


def item(number: int, result: RunResult) -> RunOfInstrument:
    run = Run(
        instrument_id=1, id=number, condition=("before", "after")[number - 1],
        recorded_at=f"2024-05-0{number}T10:00:00",
    )  # fmt: skip
    return RunOfInstrument(instrument=PIANO, run=run, result=result)


@pytest.fixture(scope="module")
def before() -> RunOfInstrument:
    return item(1, invent_run(np.random.default_rng(1), bright={BRIGHT: 0.9}))


@pytest.fixture(scope="module")
def after() -> RunOfInstrument:
    return item(2, invent_run(np.random.default_rng(2), gain_db=4.0))


def test_a_key_is_said_with_value_uncertainty_unit_and_finding(before: RunOfInstrument) -> None:
    view = evenness_view(before)
    assert BRIGHT in view.raised()
    (line,) = key_lines(view, BRIGHT, ("brightness",))
    assert line.is_raised
    assert "±" in line.value
    assert line.value.endswith(" oct")
    assert "too bright: brightness +0.9" in line.trend


def test_what_is_missing_is_said_with_its_reason(before: RunOfInstrument) -> None:
    notes = tuple(
        replace(note, prompt_t60_s=None, flags=(Flag.HOLD_TOO_SHORT, Flag.DEFAULT_BLOW_SLOPE))
        if note.midi == 50
        else note
        for note in before.result.notes
        if note.midi != 51
    )
    view = evenness_view(replace(before, result=replace(before.result, notes=notes)))
    decay, weight = key_lines(view, 50, ("prompt_decay", "down_weight"))
    assert decay.value == "not measured: held too short for its decay"
    assert weight.value == "not measured"
    assert "not struck" in key_lines(view, 51, ("level",))[0].value


@pytest.mark.parametrize("is_later", [True, False])
def test_a_change_runs_from_the_earlier_to_the_later_run(
    before: RunOfInstrument, after: RunOfInstrument, is_later: bool
) -> None:
    own = after if is_later else before
    view = evenness_view(own, comparison=compare_before_after(before, after))
    assert view.is_other_earlier == is_later
    (line,) = key_lines(view, BRIGHT, ("brightness",))
    assert line.is_changed
    assert line.change.startswith("change \N{MINUS SIGN}0.")
    assert line.change.endswith("beyond scatter")
    assert line.other.startswith("before" if is_later else "after")
    point = next(p for p in view.lanes["brightness"].lane.points if p.midi == BRIGHT)
    other = view.others["brightness"][BRIGHT]
    # The ring is drawn at the earlier, brighter place when the later run is shown, and below
    # the dot when the earlier one is.
    assert (other.value > point.value) == is_later


def test_a_shift_of_all_levels_is_no_change_of_a_note(
    before: RunOfInstrument, after: RunOfInstrument
) -> None:
    view = evenness_view(after, comparison=compare_before_after(before, after))
    others, points = view.others["level"], view.lanes["level"].lane.points
    # The second run was played with 4 dB more gain; the scatter of one note is about 0.6 dB.
    assert max(abs(others[p.midi].value - p.value) for p in points) < 3.0
    assert not any(other.is_changed for other in others.values())
    assert all("drawn at equal level" in other.text for other in others.values())


def test_a_comparison_of_other_runs_is_refused(
    before: RunOfInstrument, after: RunOfInstrument
) -> None:
    third = replace(before, run=replace(before.run, id=9))
    with pytest.raises(ValueError, match="not 9"):
        evenness_view(third, comparison=compare_before_after(before, after))


def test_the_sitting_nearest_in_time_counts() -> None:
    sets = [
        HandSet(
            id=number, uid=str(number), instrument_id=1, title="", note="", deleted_at=None,
            version=1, keys=(), measured_at=when,
        )
        for number, when in ((1, "2024-05-01"), (2, "2024-06-01T09:00:00+00:00"))
    ]  # fmt: skip
    first = nearest_hand_set(sets, "2024-05-10T10:00:00")
    second = nearest_hand_set(sets, "2024-05-28")
    assert first is not None
    assert second is not None
    assert (first.id, second.id) == (1, 2)
    assert nearest_hand_set([], "2024-05-28") is None


@pytest.mark.parametrize(
    ("octaves", "around", "shown"),
    [
        (None, 60, "A0-C8"),
        (1, 60, "F#3-F#4"),
        (1, 21, "A0-A1"),
        (2, 108, "C6-C8"),
        (4, 60, "C2-C6"),
    ],
)
def test_the_zoom_keeps_the_key_in_the_middle(
    octaves: int | None, around: int, shown: str
) -> None:
    found = visible_compass(Compass.parse("A0-C8"), octaves=octaves, around=around)
    assert str(found) == shown


def test_a_run_is_said_in_a_few_figures(before: RunOfInstrument) -> None:
    figures = run_figures(before.result)
    assert figures[0] == "25 keys"
    assert "75 strikes" in figures[1]
    assert any("raised" in figure for figure in figures)
    empty = replace(before.result, notes=(), strikes=())
    assert run_figures(empty) == ("no strike was found that could be measured",)
