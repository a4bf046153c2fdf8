"""Lanes are moved, hidden and enlarged without ever losing one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.map_lanes import LANE_KINDS

keys = st.sampled_from(sorted(LANE_KINDS))
acts = st.lists(st.tuples(st.sampled_from(["show", "hide", "move", "enlarge"]), keys), max_size=20)


def carry_out(order: LaneOrder, act: str, key: str) -> LaneOrder:
    if act == "move":
        return order.moved(key, places=-2 if key < "m" else 1)
    if act == "enlarge":
        return order.with_enlarged(key)
    return order.with_shown(key, is_shown=act == "show")


@given(acts)
def test_no_lane_is_lost_and_one_is_always_shown(steps: list[tuple[str, str]]) -> None:
    order = LaneOrder()
    for act, key in steps:
        order = carry_out(order, act, key)
    assert sorted(order.keys) == sorted(LANE_KINDS)
    assert order.shown
    assert abs(sum(order.shares().values()) - 1.0) < 1e-9
    assert LaneOrder.from_text(order.to_text()) == order


@given(st.text(alphabet="-* abcdeflrv_", max_size=60))
def test_any_remembered_text_gives_an_order(text: str) -> None:
    order = LaneOrder.from_text(text)
    assert sorted(order.keys) == sorted(LANE_KINDS)
    assert order.shown


def test_a_lane_moves_past_those_that_are_shown() -> None:
    order = LaneOrder()
    assert order.shown[:3] == ("level", "brightness", "prompt_decay")
    assert order.moved("prompt_decay", places=-1).shown[:3] == (
        "level", "prompt_decay", "brightness",
    )  # fmt: skip
    # Sustain stands between them but is hidden: one step is one lane that can be seen.
    assert order.moved("prompt_decay", places=1).shown[2:4] == ("ring_on", "prompt_decay")
    assert order.moved("level", places=-1) == order


def test_an_enlarged_lane_has_three_times_the_height() -> None:
    shares = LaneOrder().with_enlarged("brightness").shares()
    assert shares["brightness"] / shares["level"] == 3.0
    assert LaneOrder().with_enlarged("level").with_enlarged("level") == LaneOrder()
