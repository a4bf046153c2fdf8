"""Which key comes next."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.audio.capture import THREE_TOUCHES, KeyPlan, RunKind, RunPlan, Touch, usual_hold_s
from toneapp.errors import InputError
from toneapp.keyboard import Compass

SMALL = Compass.parse("C4-G4")  # 60 to 67


def _keys(plan: KeyPlan) -> list[int]:
    """Play a plan to its end; the keys as asked for."""
    keys = []
    while plan.current is not None:
        keys.append(plan.current.midi)
        plan.answer(plan.current.index)
    return keys


@pytest.mark.parametrize(
    ("plan", "keys"),
    [
        (RunPlan(compass=SMALL), [60, 61, 62, 63, 64, 65, 66, 67]),
        (RunPlan(compass=SMALL, order="descending"), [67, 66, 65, 64, 63, 62, 61, 60]),
        (RunPlan(compass=SMALL, white_only=True), [60, 62, 64, 65, 67]),
        (RunPlan(compass=SMALL, start_midi=64), [64, 65, 66, 67]),
        (RunPlan(compass=SMALL, order="descending", start_midi=62), [62, 61, 60]),
        (RunPlan(compass=SMALL, notes=(66, 61)), [61, 66]),
        (RunPlan(compass=SMALL, notes=(60, 64), touches=THREE_TOUCHES), [60] * 3 + [64] * 3),
        (
            RunPlan(compass=SMALL, notes=(60, 64), touches=THREE_TOUCHES, rounds="whole"),
            [60, 64] * 3,
        ),
    ],
)
def test_keys_come_in_the_order_that_was_chosen(plan, keys):
    assert _keys(KeyPlan(plan)) == keys


def test_three_touches_are_asked_for_one_after_the_other():
    asks = RunPlan(compass=SMALL, notes=(60,), touches=THREE_TOUCHES).asks()
    assert [ask.touch for ask in asks] == [Touch.SOFT, Touch.MEDIUM, Touch.FIRM]


def test_a_plan_without_keys_says_what_to_do():
    with pytest.raises(InputError, match="no key of C4-G4 is left"):
        RunPlan(compass=SMALL, notes=(20,)).keys()


@pytest.mark.parametrize("wrong", [{"order": "up"}, {"rounds": "two"}, {"hold_s": 0.0}])
def test_a_plan_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match="got"):
        RunPlan(**wrong)


def test_what_was_passed_is_asked_for_at_the_end():
    plan = KeyPlan(RunPlan(compass=SMALL))
    plan.answer(0)
    plan.pass_over()
    assert plan.current.midi == 62
    assert plan.open_keys == (61,)
    assert _keys(plan) == [62, 63, 64, 65, 66, 67, 61]


def test_what_was_passed_in_a_round_comes_before_the_next_round():
    plan = KeyPlan(
        RunPlan(compass=SMALL, notes=(60, 64), touches=THREE_TOUCHES[:2], rounds="whole")
    )
    plan.pass_over()
    asked = []
    while plan.current is not None:
        asked.append((plan.current.midi, plan.current.touch))
        plan.answer(plan.current.index)
    soft, medium = Touch.SOFT, Touch.MEDIUM
    assert asked == [(64, soft), (60, soft), (60, medium), (64, medium)]


def test_a_key_left_out_is_not_asked_for_again_and_not_counted():
    plan = KeyPlan(RunPlan(compass=SMALL, touches=THREE_TOUCHES))
    plan.leave_out()
    assert plan.current.midi == 61
    assert plan.wanted == 21
    assert 60 not in _keys(plan)


def test_back_asks_for_the_key_before_again():
    plan = KeyPlan(RunPlan(compass=SMALL))
    plan.answer(0)
    plan.answer(1)
    assert plan.go_back() == 1
    assert plan.current.midi == 61
    assert plan.good == 1
    plan.answer(1)
    assert plan.current.midi == 62
    plan.go_back()
    plan.go_back()
    assert plan.current.midi == 60
    assert plan.go_back() is None


def test_back_works_when_all_is_done():
    plan = KeyPlan(RunPlan(compass=SMALL))
    _keys(plan)
    assert plan.go_back() == 7
    assert plan.current.midi == 67


def test_passing_the_only_open_key_asks_for_it_again():
    plan = KeyPlan(RunPlan(compass=SMALL, notes=(60,)))
    plan.pass_over()
    assert plan.current.midi == 60


@given(
    acts=st.lists(st.sampled_from(["answer", "pass", "skip", "back"]), max_size=40),
    touches=st.sampled_from([(Touch.ANY,), THREE_TOUCHES]),
    rounds=st.sampled_from(["per_note", "whole"]),
)
def test_whatever_is_done_every_key_is_asked_for_until_it_is_done_or_left_out(
    acts, touches, rounds
):
    plan = KeyPlan(RunPlan(compass=Compass.parse("C4-E4"), touches=touches, rounds=rounds))
    for act in acts:
        current = plan.current
        if act == "answer" and current is not None:
            plan.answer(current.index)
        elif act == "pass":
            plan.pass_over()
        elif act == "skip":
            plan.leave_out()
        elif act == "back":
            plan.go_back()
        assert plan.current is None or plan.is_open(plan.current.index)
    _keys(plan)
    assert plan.good == plan.wanted
    assert plan.good + len(plan.left_out) == len(plan.asks)


@given(
    order=st.sampled_from(["ascending", "descending"]),
    white=st.booleans(),
    start=st.none() | st.integers(60, 67),
    hold=st.none() | st.floats(0.1, 10.0),
    kind=st.sampled_from(list(RunKind)),
    touches=st.sampled_from([(Touch.ANY,), THREE_TOUCHES]),
)
def test_a_plan_survives_json(order, white, start, hold, kind, touches):
    plan = RunPlan(
        kind=kind, compass=SMALL, order=order, white_only=white, notes=(61, 64), start_midi=start,
        touches=touches, hold_s=hold,
    )  # fmt: skip
    assert RunPlan.from_json(json.loads(json.dumps(plan.to_json()))) == plan


def test_a_plan_goes_on_where_it_was_left():
    plan = KeyPlan(RunPlan(compass=SMALL), done=[0, 1, 3], left_out=[4])
    assert plan.current.midi == 65
    assert _keys(plan) == [65, 66, 67, 62]


def test_low_strings_are_held_longer_than_high_ones():
    holds = [usual_hold_s(midi, RunKind.EVENNESS) for midi in range(21, 109)]
    assert holds == sorted(holds, reverse=True)
    assert holds[0] == 3.0
    assert holds[-1] == 1.0
