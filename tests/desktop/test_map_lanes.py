"""Every quantity that a run or a hand gives has its lane, and says its values in words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from invented import invent_run

from toneapp.desktop.map_lanes import LANE_KINDS, map_lanes, value_text
from toneapp.keyboard import KeyboardLayout
from toneapp.library import HandSet, KeyMeasurement
from toneapp.results import RunResult

LAYOUT = KeyboardLayout(first_plain_midi=52)


@pytest.fixture(scope="module")
def run() -> RunResult:
    return invent_run(np.random.default_rng(3))


def hand_set(*keys: KeyMeasurement) -> HandSet:
    return HandSet(
        id=1, uid="u", instrument_id=1, title="first", measured_at="2024-05-01", note="",
        deleted_at=None, version=1, keys=keys,
    )  # fmt: skip


def test_a_lane_for_every_kind_in_one_order(run: RunResult) -> None:
    lanes = map_lanes(run, layout=LAYOUT)
    assert list(lanes) == list(LANE_KINDS)
    for key in ("level", "brightness", "prompt_decay", "sustain", "ring_on", "pitch"):
        assert len(lanes[key].lane.points) == 25, key
    assert all(not lanes[key].lane.points for key, kind in LANE_KINDS.items() if kind.is_by_hand)


def test_sustain_has_trend_and_the_scatter_of_its_blows(run: RunResult) -> None:
    points = map_lanes(run, layout=LAYOUT)["sustain"].lane.points
    # The invented blows scatter by 3 % about 3 s; the mean of three by 0.03 / sqrt(3).
    spreads = [math.log(point.high / point.value) for point in points if point.high]
    assert np.median(spreads) == pytest.approx(2 * 0.03 / math.sqrt(3), rel=0.5)
    assert all(point.trend == pytest.approx(3.0, rel=0.05) for point in points)


def test_friction_and_balance_weight_come_from_both_weights(run: RunResult) -> None:
    keys = (
        KeyMeasurement(midi=60, down_weight_g=52.0, up_weight_g=24.0, key_dip_mm=10.2),
        KeyMeasurement(midi=61, down_weight_g=50.0),
    )
    lanes = map_lanes(run, layout=LAYOUT, hand_set=hand_set(*keys))
    assert [p.value for p in lanes["friction"].lane.points] == [14.0]
    assert [p.value for p in lanes["balance_weight"].lane.points] == [38.0]
    assert [p.midi for p in lanes["down_weight"].lane.points] == [60, 61]
    assert value_text(lanes["key_dip"], lanes["key_dip"].lane.points[0]) == "10.2 mm"


def test_a_ring_level_that_the_noise_hides_is_said_to_be_a_limit(run: RunResult) -> None:
    hidden = replace(
        run,
        strikes=tuple(
            replace(strike, ring_level_is_limit=strike.midi == 60) for strike in run.strikes
        ),
    )
    lane = map_lanes(hidden, layout=LAYOUT)["ring_on"]
    assert lane.limits == {60}
    texts = {point.midi: value_text(lane, point) for point in lane.lane.points}
    assert texts[60].startswith("less than \N{MINUS SIGN}")
    assert "less than" not in texts[61]
    assert "±" in texts[61]


def test_every_lane_is_explained_with_its_unit() -> None:
    for kind in LANE_KINDS.values():
        assert kind.sentence.endswith(".")
        assert kind.unit or kind.key == "inharmonicity"


def test_ring_on_has_a_trend_of_what_is_heard(run: RunResult) -> None:
    hidden = {50, 55}
    strikes = tuple(
        replace(s, ring_level_is_limit=True, ring_level_db=-20.0) if s.midi in hidden else s
        for s in run.strikes
    )
    notes = tuple(replace(n, ring_level_db=-20.0) if n.midi in hidden else n for n in run.notes)
    lane = map_lanes(replace(run, strikes=strikes, notes=notes), layout=LAYOUT)["ring_on"]
    trend = {point.midi: point.trend for point in lane.lane.points}
    assert all(trend[midi] is None for midi in hidden)
    heard = [n.ring_level_db for n in notes if n.midi not in hidden]
    known = [value for value in trend.values() if value is not None]
    assert len(known) == 23
    # The limits, far above what is heard, have not bent it.
    assert min(heard) - 0.5 < min(known) <= max(known) < max(heard) + 0.5
