"""The lanes hold what was measured and nothing else."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.desktop.lanes import Lane, LanePoint, run_lanes, ticks, value_range
from toneapp.results import Evenness, NoteResult, Raised, RunResult

NOTE = NoteResult(
    midi=60, note="C4", strikes=2, cents=-4.0, cents_se=0.5, cents_residual=1.0, B=3e-4,
    B_se=1e-5, level_db=-20.0, level_trend_db=-21.0, level_se=0.4, brightness=2.0,
    brightness_trend=2.5, brightness_se=0.1, prompt_t60_s=6.0, prompt_t60_residual=math.log(0.5),
    prompt_t60_se=0.1, raised=(Raised.DULL, Raised.SHORT),
)  # fmt: skip
RUN = RunResult(sample_rate_hz=48_000, duration_s=9.0, a4_reference_hz=442.0, notes=(NOTE,))


def test_one_lane_a_quantity_with_trend_and_uncertainty() -> None:
    level, brightness, decay, pitch, inharmonicity = run_lanes(RUN)
    assert (level.points[0].value, level.points[0].trend) == (-20.0, -21.0)
    assert (level.points[0].low, level.points[0].high) == (-20.8, -19.2)
    assert brightness.points[0].mark is not None
    assert brightness.points[0].mark.text == "C4 dull"
    assert not brightness.points[0].mark.is_upward
    assert level.points[0].mark is None
    assert decay.points[0].trend == pytest.approx(12.0)  # twice the note's
    assert decay.points[0].high == pytest.approx(6.0 * math.exp(0.2))
    assert pitch.points[0].trend == -5.0
    assert "442" in pitch.unit
    assert inharmonicity.points[0].trend is None


def test_the_unevenness_of_a_lane_has_its_uncertainty() -> None:
    even = Evenness(level_db=1.5, level_db_se=0.2, tuning_cents=1.23, tuning_cents_se=0.15)
    level, brightness, _, pitch, _ = run_lanes(replace(RUN, evenness=even))
    assert level.note == "unevenness 1.5 ± 0.4 dB"
    assert pitch.note == "unevenness 1.2 ± 0.3 cents"
    assert "not measured" in brightness.note


def test_what_was_not_measured_is_left_out() -> None:
    bare = replace(RUN, notes=(NoteResult(midi=60, note="C4", strikes=1, B=-1e-6),))
    assert [lane.points for lane in run_lanes(bare)] == [()] * 5
    assert "not measured" in run_lanes(bare)[0].note


def test_calibrated_levels_name_their_unit() -> None:
    assert "SPL" in run_lanes(replace(RUN, calibration_db=120.0))[0].unit


values = st.lists(st.floats(-300, 300), min_size=1, max_size=6)


@given(values, st.booleans())
def test_the_range_holds_every_value_and_can_be_divided(
    numbers: list[float], is_logarithmic: bool
) -> None:
    if is_logarithmic:
        numbers = [10.0 ** (number / 100.0) for number in numbers]
    points = tuple(LanePoint(midi=60 + i, value=value) for i, value in enumerate(numbers))
    lane = Lane(title="", unit="", is_logarithmic=is_logarithmic, points=points)
    low, high = value_range(lane)
    assert low < min(numbers) <= max(numbers) < high
    marks = ticks(low, high, is_logarithmic=is_logarithmic)
    assert len(marks) <= 5
    assert marks == sorted(marks)
    assert len(set(marks)) == len(marks)
    if not is_logarithmic:
        assert len(marks) >= 2
        rounding = 1e-6 * (high - low)
        assert all(low - rounding <= mark <= high + rounding for mark in marks)
