"""What is said at the piano."""

from __future__ import annotations

import pytest

from toneapp.audio.capture import (
    Ask,
    Blow,
    Fault,
    Reason,
    State,
    Touch,
    ask_text,
    blow_text,
    fault_text,
    level_text,
    reason_text,
    resumed_text,
    state_text,
)


def _blow(reason: Reason = Reason.GOOD, **more) -> Blow:
    words = {
        "number": 1, "ask": Ask(index=0, midi=60, touch=Touch.SOFT), "midi": 61, "onset_s": 1.0,
        "end_s": 3.0, "release_s": 2.5, "hold_s": 1.5, "reasons": (reason,),
    }  # fmt: skip
    return Blow(**(words | more))


def test_a_wrong_key_is_named_with_the_one_that_is_wanted():
    assert reason_text(_blow(Reason.WRONG_KEY)) == "that was C#4; play C4, soft"


def test_a_blow_is_told_in_one_line():
    text = blow_text(_blow(midi=60, cents=-3.2, level_db=-31.0, level_step_db=4.2))
    assert text == "C4  good  −3.2 cents  −31.0 dB  4 dB above its neighbours"


@pytest.mark.parametrize(
    ("step_db", "text"),
    [(None, ""), (0.4, "as its neighbours"), (-3.0, "3 dB below its neighbours")],
)
def test_the_level_is_told_against_the_neighbours(step_db, text):
    assert level_text(_blow(level_step_db=step_db)) == text


@pytest.mark.parametrize("reason", list(Reason))
def test_there_are_words_for_every_verdict(reason):
    assert 3 < len(reason_text(_blow(reason))) < 60


@pytest.mark.parametrize("fault", list(Fault))
def test_there_are_words_for_every_fault(fault):
    assert len(fault_text(fault)) > 10


@pytest.mark.parametrize("state", list(State))
def test_a_state_is_said_in_few_words(state):
    assert len(state_text(state).split()) <= 8


def test_sleep_is_told_with_its_length():
    assert resumed_text(Fault.SLEPT, 185.0) == "the computer was asleep for 3 min; the run goes on"
    assert resumed_text(Fault.DEVICE_GONE, 7.2) == "the run goes on after 7 s"


def test_what_is_asked_for_is_named():
    assert ask_text(None) == "nothing more"
    assert ask_text(Ask(index=0, midi=60)) == "C4"
