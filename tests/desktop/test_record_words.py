"""What is shown from two metres, and what the choices before a recording come to."""

from __future__ import annotations

from dataclasses import replace

import pytest

from toneapp.audio.capture import (
    Ask,
    Blow,
    BlowJudged,
    BlowRevised,
    KeyPlan,
    Reason,
    RunKind,
    RunPlan,
    Snapshot,
    State,
    Touch,
)
from toneapp.desktop.record_choice import Keys, RecordChoice, Rounds, plan_text
from toneapp.desktop.record_growth import RecordGrowth
from toneapp.desktop.record_keyboard import KeyState
from toneapp.desktop.record_sounds import VerdictSounds
from toneapp.desktop.record_view import key_states
from toneapp.desktop.record_words import StageSign, StageTone, stage_view
from toneapp.errors import InputError
from toneapp.keyboard import Compass
from toneapp.library import Instrument
from toneapp.library.recorded import RecordedFacts

ASK = Ask(index=3, midi=60, touch=Touch.SOFT, hold_s=2.5)
SEEN = Snapshot(
    state=State.WAITING,
    ask=ASK,
    at_s=12.0,
    level_dbfs=-40.0,
    highest_dbfs=-12.0,
    has_clipped=False,
    held_s=None,
    good=3,
    wanted=9,
    overruns=0,
    lost_frames=0,
    may_sound=True,
)
BLOW = Blow(
    number=3,
    ask=replace(ASK, index=2, midi=59),
    midi=59,
    reasons=(Reason.GOOD,),
    onset_s=9.0,
    end_s=11.0,
    release_s=10.6,
    hold_s=1.6,
    cents=-3.24,
    level_db=-31.0,
    level_step_db=2.4,
    is_counted=True,
    filled=2,
)


def shown(state: State, last: Blow | None = None, *, since_s: float = 9.0, **seen: object):
    snapshot = replace(SEEN, state=state, **seen)
    return stage_view(snapshot, last, kind=RunKind.EVENNESS, since_verdict_s=since_s)


@pytest.mark.parametrize(
    ("state", "sign", "word"),
    [
        (State.CHECKING, StageSign.LISTEN, "Quiet, please"),
        (State.WAITING, StageSign.PLAY, "Play"),
        (State.HELD, StageSign.HOLD, "Hold"),
        (State.ENOUGH, StageSign.LET_GO, "Let go"),
        (State.RELEASED, StageSign.QUIET, "Quiet"),
        (State.PAUSED, StageSign.PAUSED, "Paused"),
        (State.INTERRUPTED, StageSign.TROUBLE, "Wait"),
        (State.DONE, StageSign.DONE, "All keys are there"),
    ],
)
def test_each_state_has_a_sign_and_words_of_its_own(state, sign, word):
    view = shown(state, held_s=1.0)
    assert (view.sign, view.word) == (sign, word)
    assert (view.note, view.touch) == ("C4", "soft")


def test_no_two_states_share_a_sign():
    states = [s for s in State if s is not State.STOPPED]  # which is never shown
    assert len({shown(state).sign for state in states}) == len(states)


def test_the_hold_is_counted_against_what_is_wanted():
    view = shown(State.HELD, held_s=1.3)
    assert (view.held_s, view.hold_s) == (1.3, 2.5)
    assert shown(State.WAITING).held_s is None


def test_a_good_blow_is_said_for_a_moment_then_the_next_is_asked_for():
    assert shown(State.WAITING, BLOW, since_s=0.2).word == "Good"
    later = shown(State.WAITING, BLOW, since_s=3.0)
    assert later.word == "Play"
    assert later.detail == "Hold it for 2.5 s"
    assert later.verdict == "B3,  good,  2 dB above its neighbours,  −3.2 cents"


def test_a_bad_blow_is_said_with_its_reason_until_the_next_one():
    bad = replace(BLOW, reasons=(Reason.TOO_SHORT,), is_counted=False, filled=None)
    view = shown(State.WAITING, bad, since_s=30.0)
    assert (view.sign, view.word, view.tone) == (StageSign.AGAIN, "Again", StageTone.WARN)
    assert view.detail == "Hold it longer"
    wrong = replace(bad, midi=61, reasons=(Reason.WRONG_KEY,))
    assert shown(State.WAITING, wrong).detail == "That was C#4; play B3, soft"


def test_a_fault_is_said_in_its_own_words():
    view = shown(State.INTERRUPTED, fault_text="the microphone is gone: plug it in again")
    assert view.detail == "The microphone is gone: plug it in again"


def test_what_becomes_of_each_key():
    plan = KeyPlan(RunPlan(notes=(60, 62, 64, 65), touches=(Touch.SOFT, Touch.FIRM)))
    plan.answer(0)
    plan.answer(1)  # 60 is done
    plan.leave_out()  # 62 is left out
    plan.pass_over()  # 64 is asked for again later
    assert key_states(plan) == {
        60: KeyState.DONE,
        62: KeyState.LEFT_OUT,
        64: KeyState.PASSED,
        65: KeyState.OPEN,
    }


CHOICE = RecordChoice(instrument=Instrument(name="any", id=4, compass=Compass.parse("A0-C8")))


def test_what_the_choices_come_to():
    assert plan_text(CHOICE.plan()) == "88 keys, about 6 min"
    three = replace(CHOICE, rounds=Rounds.THREE_ON_KEY, keys=Keys.WHITE)
    assert plan_text(three.plan()).startswith("52 keys, 156 blows, about")
    fast = replace(CHOICE, kind=RunKind.REPETITION, rounds=Rounds.THREE_RUNS)
    assert plan_text(fast.plan()).startswith("88 keys, six fast blows or more on each")


def test_whole_rounds_and_the_start_are_in_the_plan():
    plan = replace(CHOICE, rounds=Rounds.THREE_RUNS, start_midi=60, order="descending").plan()
    touches = [ask.touch for ask in plan.asks()]
    assert plan.keys()[0] == 60
    assert plan.keys()[-1] == 21
    assert touches[:40] == [Touch.SOFT] * 40
    assert touches[-1] is Touch.FIRM


def test_a_worklist_without_open_notes_is_refused_in_words():
    with pytest.raises(InputError, match="no open note"):
        replace(CHOICE, keys=Keys.WORKLIST).plan()
    assert replace(CHOICE, keys=Keys.WORKLIST, worklist=(64, 60)).plan().keys() == (60, 64)


def test_facts_are_kept_and_read_again_and_unknown_ones_are_left_out():
    facts = replace(CHOICE, condition="before", again_run_id=7).facts(detune_semitones=-0.4)
    assert (facts.instrument, facts.again, facts.detune_semitones) == (4, 7, -0.4)
    assert RecordedFacts.from_json(facts.to_json() | {"of another version": 1}) == facts


def test_levels_follow_what_counts():
    growth = RecordGrowth()
    growth.take([BlowJudged(blow=BLOW)])
    assert growth.levels() == {59: -31.0}
    growth.take([BlowRevised(blow=replace(BLOW, is_counted=False))])
    assert growth.levels() == {}
    assert growth.last is None


class Speaker:
    """Stands in for the loudspeaker."""

    device = None

    def __init__(self) -> None:
        self.played: list[float] = []

    def play(self, samples, *, sample_rate_hz):
        self.played.append(samples.size / sample_rate_hz)


class AtOnce:
    """Stands in for the threads of the window."""

    def start(self, work, **_rest):
        work(lambda _share: None)


@pytest.fixture
def sounds():
    now = [100.0]
    announced: list[float] = []
    made = VerdictSounds(AtOnce(), announced.append, player=Speaker(), clock_s=lambda: now[0])
    made.is_wanted = True
    return made, now, announced


def test_a_verdict_is_heard_only_when_nothing_is_listened_to(sounds):
    made, _now, announced = sounds
    made.take([BlowJudged(blow=BLOW)])
    made.see(replace(SEEN, state=State.HELD, may_sound=False))  # the next blow came already
    assert made.player.played == []
    made.see(SEEN)
    assert len(made.player.played) == 1
    assert announced[0] > made.player.played[0]  # so that it is taken for no blow
    made.see(SEEN)
    assert len(made.player.played) == 1


def test_a_verdict_that_comes_too_late_is_not_heard(sounds):
    made, now, _announced = sounds
    made.take([BlowJudged(blow=BLOW)])
    now[0] += 2.0
    made.see(SEEN)
    assert made.player.played == []


def test_good_and_again_are_told_apart_by_their_number(sounds):
    made, _now, _announced = sounds
    made.take([BlowJudged(blow=BLOW)])
    made.see(SEEN)
    made.take([BlowJudged(blow=replace(BLOW, reasons=(Reason.NOISE,)))])
    made.see(SEEN)
    good_s, again_s = made.player.played
    assert again_s > 2 * good_s


def test_nothing_is_heard_unless_it_is_wanted(sounds):
    made, _now, announced = sounds
    made.is_wanted = False
    made.take([BlowJudged(blow=BLOW)])
    made.see(SEEN)
    assert (made.player.played, announced) == ([], [])
